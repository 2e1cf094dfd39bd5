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

func Data() string                 { return "/settings/data" }
func ExportZip() string            { return Data() + "/export.zip" }
func ImportData() string           { return Data() + "/import" }
func Import(id string) string      { return ImportData() + "/" + seg(id) }
func CheckImport(id string) string { return Import(id) + "/check" }
func ApplyImport(id string) string { return Import(id) + "/apply" }
func DropImport(id string) string  { return Import(id) + "/drop" }

// Sheets is where a spreadsheet with other headings is sent, Sheet where its columns are told.
func Sheets() string             { return Data() + "/sheet" }
func Sheet(id string) string     { return Sheets() + "/" + seg(id) }
func SheetAnew(id string) string { return Sheet(id) + "?anew=yes" }
func ReadSheet(id string) string { return Sheet(id) + "/reading" }
func DataColumns(table string) string {
	if table == "" {
		return Data() + "/columns"
	}
	return Data() + "/columns#" + table
}
func DataTemplate(table string) string { return Data() + "/templates/" + seg(table) + ".csv" }

func Settings() string              { return "/settings" }
func PatternPreview() string        { return "/settings/preview" }
func People() string                { return "/settings/people" }
func Person(id string) string       { return "/settings/people/" + seg(id) }
func PersonRole(id string) string   { return "/settings/people/" + seg(id) + "/role" }
func PersonAccess(id string) string { return "/settings/people/" + seg(id) + "/access" }
func PersonLink(id string) string   { return "/settings/people/" + seg(id) + "/link" }
func Tokens() string                { return "/settings/tokens" }
func RevokeToken(id string) string  { return "/settings/tokens/" + seg(id) + "/revoke" }

// API is what the interface for programs says of itself.
func API() string { return "/api/v1/openapi.json" }
