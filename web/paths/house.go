package paths

func SignIn() string                 { return "/sign-in" }
func SignInLink(link string) string  { return "/sign-in/" + seg(link) }
func SignOut() string                { return "/sign-out" }
func SetUp(link string) string       { return "/set-up/" + seg(link) }
func SetPassword(link string) string { return "/password/" + seg(link) }

func Account() string             { return "/account" }
func ChangePassword() string      { return "/account/password" }
func EndSession(id string) string { return "/account/sessions/" + seg(id) + "/end" }
func EndSessions() string         { return "/account/sessions/end" }

func Settings() string              { return "/settings" }
func PatternPreview() string        { return "/settings/preview" }
func People() string                { return "/settings/people" }
func Person(id string) string       { return "/settings/people/" + seg(id) }
func PersonRole(id string) string   { return "/settings/people/" + seg(id) + "/role" }
func PersonAccess(id string) string { return "/settings/people/" + seg(id) + "/access" }
func PersonLink(id string) string   { return "/settings/people/" + seg(id) + "/link" }
