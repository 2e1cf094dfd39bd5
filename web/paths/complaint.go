package paths

import (
	"net/url"
	"strconv"
)

func Complaints() string       { return "/complaints" }
func NewComplaint() string     { return "/complaints/new" }
func Complaint(n int) string   { return "/complaints/" + strconv.Itoa(n) }
func ComplaintRates() string   { return "/complaints/rates" }
func ComplaintSources() string { return "/complaints/sources" }

// NewComplaintOf is the form with a code on a unit in it.
func NewComplaintOf(code string) string {
	return NewComplaint() + "?code_said=" + url.QueryEscape(code)
}

// ComplaintsOf is the list of those that a parameter chooses: kind, product, packing or customer; all of them, closed too.
func ComplaintsOf(name, value string) string {
	return Complaints() + "?" + url.Values{"show": {"all"}, name: {value}}.Encode()
}

// ComplaintSourcesOf asks what complaints and batches share, each by its code.
func ComplaintSourcesOf(codes ...string) string {
	return ComplaintSources() + "?" + url.Values{"of": codes}.Encode()
}

func CorrectComplaint(n int) string { return Complaint(n) + "/correct" }
func DecidePacking(n int) string    { return Complaint(n) + "/packing" }
func FollowComplaint(n int) string  { return Complaint(n) + "/follow" }
func ComplaintPhotos(n int) string  { return Complaint(n) + "/photos" }
func CloseComplaint(n int) string   { return Complaint(n) + "/close" }
func ReopenComplaint(n int) string  { return Complaint(n) + "/reopen" }
func EraseComplaint(n int) string   { return Complaint(n) + "/erase" }

// FollowUp corrects one entry of a complaint, by its id: entries have no codes.
func FollowUp(n int, id string) string { return FollowComplaint(n) + "/" + seg(id) }
