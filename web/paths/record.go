package paths

// BatchRecord is the batch record as a page; BatchRecordPDF the same as a file, InspectionFolder all that belongs to it.
func BatchRecord(batch string) string      { return Batch(batch) + "/record" }
func BatchRecordPDF(batch string) string   { return Batch(batch) + "/record.pdf" }
func InspectionFolder(batch string) string { return Batch(batch) + "/folder.zip" }
