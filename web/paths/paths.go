// Package paths is where every URL of Stillroom is made: one function a page. URLs are nouns with codes.
package paths

import "net/url"

func seg(code string) string { return url.PathEscape(code) }

func Today() string { return "/" }

func Batch(code string) string { return "/batches/" + seg(code) }
