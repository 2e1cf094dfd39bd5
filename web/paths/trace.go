package paths

func Trace() string                   { return "/trace" }
func TraceLot(code string) string     { return "/trace/lots/" + seg(code) }
func TraceBatch(code string) string   { return "/trace/batches/" + seg(code) }
func TraceSources(code string) string { return "/trace/sources/" + seg(code) }
func TraceSupplierLot(supplier, lot string) string {
	return "/trace/supplier-lots/" + seg(supplier) + "/" + seg(lot)
}

// TraceList is the printable list of a trace, given the trace's own path; TraceCSV is the same for a spreadsheet.
func TraceList(trace string) string { return trace + "/list" }
func TraceCSV(trace string) string  { return trace + "/list.csv" }

// TraceEPCIS is a trace's events as an EPCIS file, given the trace's own path.
func TraceEPCIS(trace string) string { return trace + "/epcis.jsonld" }
