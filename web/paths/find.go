package paths

import "net/url"

func Find(query string) string {
	if query == "" {
		return "/find"
	}
	return "/find?q=" + url.QueryEscape(query)
}
func FindPurchase() string { return "/find/purchase" }
