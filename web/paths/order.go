package paths

// Order is what is needed for all that is planned and begun; OrderCSV the same for a spreadsheet.
func Order() string    { return "/order" }
func OrderCSV() string { return "/order.csv" }
