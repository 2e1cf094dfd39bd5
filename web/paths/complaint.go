package paths

import "strconv"

func Complaints() string       { return "/complaints" }
func NewComplaint() string     { return "/complaints/new" }
func Complaint(n int) string   { return "/complaints/" + strconv.Itoa(n) }
func ComplaintRates() string   { return "/complaints/rates" }
func ComplaintSources() string { return "/complaints/sources" }
