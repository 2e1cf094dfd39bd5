// Package web puts the pages of all areas under their URLs.
package web

import (
	"net/http"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/static"
	"example.org/stillroom/web/api"
	"example.org/stillroom/web/batches"
	"example.org/stillroom/web/bench"
	"example.org/stillroom/web/compare"
	complaintpages "example.org/stillroom/web/complaint"
	"example.org/stillroom/web/dispatch"
	drillpages "example.org/stillroom/web/drill"
	"example.org/stillroom/web/equipment"
	"example.org/stillroom/web/exchange"
	"example.org/stillroom/web/find"
	"example.org/stillroom/web/formulas"
	heldpages "example.org/stillroom/web/held"
	"example.org/stillroom/web/house"
	"example.org/stillroom/web/materials"
	"example.org/stillroom/web/order"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/products"
	reachpages "example.org/stillroom/web/reach"
	recallpages "example.org/stillroom/web/recall"
	recordpages "example.org/stillroom/web/record"
	"example.org/stillroom/web/sets"
	tellingpages "example.org/stillroom/web/telling"
	"example.org/stillroom/web/today"
	tracepages "example.org/stillroom/web/trace"
	"example.org/stillroom/web/ui"
)

// Route is one line of the route list: who may ask what. An empty right is open to anybody.
type Route struct {
	Method  string
	Pattern string
	Right   access.Right
	Handler ui.Handler
}

// Routes is the whole list, the one place where a URL meets its handler and the right it needs.
func Routes(h *ui.House) []Route {
	lots := materials.Area{Store: h.Store}
	buying := order.Area{Store: h.Store}
	beside := compare.Area{Store: h.Store}
	first := today.Area{Store: h.Store}
	formulaPages := formulas.Area{Store: h.Store}
	productPages := products.Area{Store: h.Store}
	made := batches.Area{Store: h.Store}
	tablet := bench.Area{Store: h.Store}
	door := house.Area{Store: h.Store, Secure: h.Secure}
	data := exchange.Area{Store: h.Store, Log: h.Log, Most: h.ImportMost}
	units := dispatch.Area{Store: h.Store}
	look := find.Area{Store: h.Store}
	gear := equipment.Area{Store: h.Store}
	traces := tracepages.Area{Store: h.Store}
	setPages := sets.Area{Store: h.Store}
	papers := recordpages.Area{Store: h.Store}
	recalls := recallpages.Area{Store: h.Store}
	telling := tellingpages.Area{Store: h.Store}
	complaints := complaintpages.Area{Store: h.Store}
	drills := drillpages.Area{Store: h.Store}
	reach := reachpages.Area{Store: h.Store}
	kept := heldpages.Area{Store: h.Store}
	return []Route{
		{"GET", "/", access.Read, first.Today},
		{"GET", "/sign-in", "", door.SignIn},
		{"POST", "/sign-in", "", door.CheckSignIn},
		{"GET", "/sign-in/{link}", "", door.SignInByLink},
		{"POST", "/sign-out", "", door.SignOut},
		{"GET", "/set-up/{link}", "", door.SetUp},
		{"POST", "/set-up/{link}", "", door.FinishSetUp},
		{"GET", "/password/{link}", "", door.Password},
		{"POST", "/password/{link}", "", door.SetPassword},
		{"GET", "/account", access.Read, door.Account},
		{"POST", "/account/password", access.Read, door.ChangePassword},
		{"POST", "/account/sessions/{id}/end", access.Read, door.EndSession},
		{"POST", "/account/sessions/end", access.Read, door.EndSessions},
		{"GET", "/settings", access.Settings, door.Settings},
		{"POST", "/settings", access.Settings, door.SetSettings},
		{"GET", "/settings/preview", access.Settings, door.PatternPreview},
		{"GET", "/settings/people", access.People, door.People},
		{"POST", "/settings/people", access.People, door.AddPerson},
		{"GET", "/settings/people/{id}", access.People, door.Person},
		{"POST", "/settings/people/{id}/role", access.People, door.SetRole},
		{"POST", "/settings/people/{id}/access", access.People, door.SetAccess},
		{"POST", "/settings/people/{id}/link", access.People, door.NewLink},
		{"GET", "/settings/data", access.Export, data.Data},
		{"GET", "/settings/data/export.zip", access.Export, data.Export},
		{"GET", "/settings/data/columns", access.Import, data.Columns},
		{"GET", "/settings/data/templates/{name}.csv", access.Import, data.Template},
		{"GET", "/settings/data/import", access.Import, data.Data},
		{"POST", "/settings/data/import", access.Import, data.Send},
		{"GET", "/settings/data/import/{id}", access.Import, data.Import},
		{"POST", "/settings/data/import/{id}/check", access.Import, data.Check},
		{"POST", "/settings/data/import/{id}/apply", access.Import, data.Apply},
		{"POST", "/settings/data/import/{id}/drop", access.Import, data.Drop},
		{"GET", "/settings/data/sheet", access.Import, data.NewSheet},
		{"POST", "/settings/data/sheet", access.Import, data.SendSheet},
		{"GET", "/settings/data/sheet/{id}", access.Import, data.Sheet},
		{"POST", "/settings/data/sheet/{id}", access.Import, data.MapSheet},
		{"POST", "/settings/data/sheet/{id}/reading", access.Import, data.ReadSheet},
		{"GET", "/settings/tokens", access.Tokens, door.Tokens},
		{"POST", "/settings/tokens", access.Tokens, door.MakeToken},
		{"POST", "/settings/tokens/{id}/revoke", access.Tokens, door.RevokeToken},

		{"GET", "/plans", access.Read, tablet.Plans},
		{"GET", "/plans/new", access.Bench, tablet.NewPlan},
		{"POST", "/plans/new", access.Bench, tablet.MakePlan},
		{"GET", "/plans/{id}", access.Read, tablet.Plan},
		{"POST", "/plans/{id}/drop", access.Bench, tablet.Drop},
		{"GET", "/plans/{id}/start", access.Bench, tablet.StartForm},
		{"POST", "/plans/{id}/start", access.Bench, tablet.Start},
		{"GET", "/batches/{code}/bench", access.Bench, tablet.Open},
		{"GET", "/batches/{code}/bench/add", access.Bench, tablet.Add},
		{"POST", "/batches/{code}/bench/add", access.Bench, tablet.RecordAddition},
		{"GET", "/batches/{code}/bench/off", access.Bench, tablet.Off},
		{"POST", "/batches/{code}/bench/off", access.Bench, tablet.NoteOff},
		{"GET", "/batches/{code}/bench/end", access.Bench, tablet.End},
		{"POST", "/batches/{code}/bench/end/void", access.CorrectOwn, tablet.Void},
		{"POST", "/batches/{code}/bench/cure/room", access.Bench, tablet.CureRoom},
		{"POST", "/batches/{code}/bench/cure/unit", access.Bench, tablet.CureUnit},
		{"GET", "/batches/{code}/bench/inputs/{id}/correct", access.CorrectOwn, tablet.Correct},
		{"POST", "/batches/{code}/bench/inputs/{id}/correct", access.CorrectOwn, tablet.RecordCorrection},
		{"GET", "/batches/{code}/bench/entries/{kind}/{id}/withdraw", access.CorrectOwn, tablet.Withdraw},
		{"POST", "/batches/{code}/bench/entries/{kind}/{id}/withdraw", access.CorrectOwn, tablet.TakeBack},
		{"GET", "/batches/{code}/bench/{task}", access.Bench, tablet.Task},
		{"POST", "/batches/{code}/bench/{task}", access.Bench, tablet.Record},
		{"GET", "/batches/{code}/bench/{task}/rescale", access.Bench, tablet.Rescale},
		{"POST", "/batches/{code}/bench/{task}/rescale", access.Bench, tablet.RescaleRest},

		{"GET", "/order", access.Read, buying.Order},
		{"GET", "/order.csv", access.Read, buying.CSV},

		{"GET", "/batches", access.Read, made.Batches},
		{"GET", "/batches/compare", access.Read, beside.Batches},
		{"GET", "/batches/{code}", access.Read, made.Batch},
		{"GET", "/batches/{code}/pack", access.Pack, made.PackForm},
		{"POST", "/batches/{code}/pack", access.Pack, made.Pack},
		{"GET", "/batches/{code}/finish", access.Pack, made.FinishForm},
		{"POST", "/batches/{code}/finish", access.Pack, made.Finish},
		{"GET", "/batches/{code}/yield", access.CorrectAny, made.YieldForm},
		{"POST", "/batches/{code}/yield", access.CorrectAny, made.ExplainYield},
		{"GET", "/batches/{code}/rejects", access.Pack, made.RejectsForm},
		{"POST", "/batches/{code}/rejects", access.Pack, made.RejectUnits},
		{"POST", "/batches/{code}/rejects/{id}/withdraw", access.CorrectOwn, made.WithdrawReject},
		{"GET", "/batches/{code}/stage", access.Pack, made.StageForm},
		{"POST", "/batches/{code}/stage", access.Pack, made.WeighStage},
		{"GET", "/batches/{code}/stage/{id}", access.CorrectOwn, made.StageEntry},
		{"POST", "/batches/{code}/stage/{id}", access.CorrectOwn, made.CorrectStage},
		{"GET", "/batches/{code}/reopen", access.CorrectOwn, made.ReopenForm},
		{"POST", "/batches/{code}/reopen", access.CorrectOwn, made.Reopen},
		{"GET", "/batches/{code}/papers", access.Bench, made.PapersForm},
		{"POST", "/batches/{code}/papers", access.Bench, made.AddPaper},
		{"GET", "/batches/{code}/bulk", access.Pack, made.BulkForm},
		{"POST", "/batches/{code}/bulk", access.Pack, made.BulkReady},
		{"GET", "/batches/{code}/bulk/left", access.Read, made.BulkLeft},
		{"POST", "/batches/{code}/bulk/left", access.Pack, made.MoveBulk},
		{"POST", "/batches/{code}/bulk/left/{id}/withdraw", access.CorrectOwn, made.WithdrawBulkMove},
		{"GET", "/batches/{code}/rework", access.Release, made.Rework},
		{"POST", "/batches/{code}/rework", access.Release, made.SignRework},
		{"POST", "/batches/{code}/rework/{id}/withdraw", access.Release, made.WithdrawRework},
		{"GET", "/sets/new", access.Pack, setPages.New},
		{"POST", "/sets/new", access.Pack, setPages.PutTogether},
		{"GET", "/sets/{code}/correct", access.CorrectOwn, setPages.Correct},
		{"POST", "/sets/{code}/correct", access.CorrectOwn, setPages.RecordCorrection},
		{"POST", "/sets/{code}/apart", access.CorrectOwn, setPages.TakeApart},
		{"GET", "/batches/{code}/release", access.Release, made.BulkReleaseForm},
		{"POST", "/batches/{code}/release", access.Release, made.ReleaseBulk},
		{"POST", "/batches/{code}/reject", access.Release, made.Reject},
		{"GET", "/batches/{code}/record", access.Read, papers.Record},
		{"GET", "/batches/{code}/record.pdf", access.Read, papers.RecordPDF},
		{"GET", "/batches/{code}/folder.zip", access.Read, papers.Folder},
		{"GET", "/packings/{code}", access.Read, made.Packing},
		{"GET", "/packings/{code}/codes", access.Read, made.Codes},
		{"POST", "/packings/{code}/codes", access.Pack, made.NoteCode},
		{"POST", "/packings/{code}/codes/{id}/withdraw", access.CorrectOwn, made.WithdrawCode},
		{"GET", "/packings/{code}/release", access.Release, made.ReleaseForm},
		{"POST", "/packings/{code}/release", access.Release, made.Release},
		{"GET", "/packings/{code}/correct", access.CorrectOwn, made.CorrectForm},
		{"POST", "/packings/{code}/correct", access.CorrectOwn, made.Correct},
		{"GET", "/packings/{code}/packaging", access.Pack, made.PackagingForm},
		{"POST", "/packings/{code}/packaging", access.Pack, made.ExplainPackaging},
		{"GET", "/deviations", access.Read, made.Deviations},
		{"GET", "/deviations/{n}", access.Read, made.Deviation},
		{"POST", "/deviations/{n}", access.Decide, made.DecideDeviation},

		{"GET", "/formulas", access.Read, formulaPages.Formulas},
		{"GET", "/formulas/new", access.EditFormula, formulaPages.New},
		{"POST", "/formulas/new", access.EditFormula, formulaPages.Add},
		{"GET", "/formulas/{code}", access.Read, formulaPages.Formula},
		{"GET", "/formulas/{code}/compare", access.Read, beside.Versions},
		{"GET", "/formulas/{code}/correct", access.CorrectAny, formulaPages.EditName},
		{"POST", "/formulas/{code}/correct", access.CorrectAny, formulaPages.CorrectName},
		{"POST", "/formulas/{code}/versions", access.EditFormula, formulaPages.Begin},
		{"GET", "/formulas/{code}/versions/{number}", access.Read, formulaPages.Version},
		{"POST", "/formulas/{code}/versions/{number}/approve", access.ApproveFormula, formulaPages.Approve},
		{"GET", "/formulas/{code}/versions/{number}/retire", access.ApproveFormula, formulaPages.RetireForm},
		{"POST", "/formulas/{code}/versions/{number}/retire", access.ApproveFormula, formulaPages.Retire},
		{"POST", "/formulas/{code}/draft/particulars", access.EditFormula, formulaPages.SaveParticulars},
		{"POST", "/formulas/{code}/draft/portions", access.EditFormula, formulaPages.SavePortion},
		{"POST", "/formulas/{code}/draft/lines", access.EditFormula, formulaPages.SaveLine},
		{"POST", "/formulas/{code}/draft/steps", access.EditFormula, formulaPages.SaveStep},
		{"POST", "/formulas/{code}/draft/controls", access.EditFormula, formulaPages.SaveControl},
		{"GET", "/products", access.Read, productPages.Products},
		{"GET", "/products/new", access.EditFormula, productPages.New},
		{"POST", "/products/new", access.EditFormula, productPages.Add},
		{"GET", "/products/{code}", access.Read, productPages.Product},
		{"GET", "/products/{code}/papers", access.Read, productPages.PapersForm},
		{"POST", "/products/{code}/papers", access.EditFormula, productPages.AddPaper},
		{"GET", "/products/{code}/correct", access.CorrectAny, productPages.Edit},
		{"POST", "/products/{code}/correct", access.CorrectAny, productPages.Correct},

		{"GET", "/materials", access.Read, lots.Materials},
		{"GET", "/materials/new", access.EditFormula, lots.NewMaterial},
		{"POST", "/materials/new", access.EditFormula, lots.AddMaterial},
		{"GET", "/materials/{code}", access.Read, lots.Material},
		{"GET", "/materials/{code}/correct", access.CorrectAny, lots.EditMaterial},
		{"POST", "/materials/{code}/correct", access.CorrectAny, lots.CorrectMaterial},
		{"GET", "/lots", access.Read, lots.LotsToWatch},
		{"GET", "/lots/new", access.Receive, lots.NewLot},
		{"POST", "/lots/new", access.Receive, lots.ReceiveLot},
		{"GET", "/lots/{code}", access.Read, lots.Lot},
		{"POST", "/lots/{code}/status", access.ReleaseLot, lots.SetStatus},
		{"GET", "/lots/{code}/move", access.Receive, lots.CountLot},
		{"POST", "/lots/{code}/move", access.Receive, lots.MoveLot},
		{"GET", "/lots/{code}/correct", access.CorrectOwn, lots.EditLot},
		{"POST", "/lots/{code}/correct", access.CorrectOwn, lots.CorrectLot},
		{"GET", "/lots/{code}/papers", access.Receive, lots.Papers},
		{"POST", "/lots/{code}/papers", access.Receive, lots.AddPaper},
		{"GET", "/lots/{code}/retest", access.ReleaseLot, lots.RetestForm},
		{"POST", "/lots/{code}/retest", access.ReleaseLot, lots.Retest},
		{"GET", "/lots/{code}/retests/{id}", access.CorrectOwn, lots.EditRetest},
		{"POST", "/lots/{code}/retests/{id}", access.CorrectOwn, lots.CorrectRetest},
		{"GET", "/lots/{code}/top-up", access.Receive, lots.TopUpForm},
		{"POST", "/lots/{code}/top-up", access.Receive, lots.TopUp},
		{"GET", "/lots/{code}/empty", access.Receive, lots.EmptyForm},
		{"POST", "/lots/{code}/empty", access.Receive, lots.Empty},
		{"POST", "/lots/{code}/reopen", access.CorrectAny, lots.Reopen},
		{"GET", "/lots/{code}/fillings/{id}", access.CorrectOwn, lots.EditFilling},
		{"POST", "/lots/{code}/fillings/{id}", access.CorrectOwn, lots.CorrectFilling},
		{"GET", "/tubs", access.Read, lots.Tubs},
		{"GET", "/tubs/new", access.Receive, lots.NewTub},
		{"POST", "/tubs/new", access.Receive, lots.FillTub},
		{"GET", "/documents/{id}", access.Read, lots.Document},
		{"GET", "/suppliers", access.Read, lots.Suppliers},
		{"GET", "/suppliers/new", access.Receive, lots.NewSupplier},
		{"POST", "/suppliers/new", access.Receive, lots.AddSupplier},
		{"GET", "/suppliers/{code}", access.Read, lots.Supplier},
		{"GET", "/suppliers/{code}/correct", access.CorrectOwn, lots.EditSupplier},
		{"POST", "/suppliers/{code}/correct", access.CorrectOwn, lots.CorrectSupplier},

		{"GET", "/customers", access.Read, units.Customers},
		{"GET", "/customers/new", access.Dispatch, units.NewCustomer},
		{"POST", "/customers/new", access.Dispatch, units.AddCustomer},
		{"GET", "/customers/{code}", access.Read, units.Customer},
		{"GET", "/customers/{code}/correct", access.CorrectOwn, units.EditCustomer},
		{"POST", "/customers/{code}/correct", access.CorrectOwn, units.CorrectCustomer},
		{"GET", "/dispatches", access.Read, units.Dispatches},
		{"GET", "/dispatches/new", access.Dispatch, units.NewDispatch},
		{"POST", "/dispatches/new", access.Dispatch, units.RecordDispatch},
		{"GET", "/dispatches/{code}", access.Read, units.Dispatch},
		{"GET", "/dispatches/{code}/correct", access.CorrectOwn, units.EditDispatch},
		{"POST", "/dispatches/{code}/correct", access.CorrectOwn, units.CorrectDispatch},
		{"GET", "/dispatches/{code}/return", access.Dispatch, units.ReturnTo},
		{"POST", "/dispatches/{code}/return", access.Dispatch, units.TakeBack},
		{"GET", "/returns/new", access.Dispatch, units.NewReturn},
		{"POST", "/returns/new", access.Dispatch, units.TakeBackUnknown},
		{"GET", "/stock", access.Read, units.Stock},
		{"GET", "/stock/count", access.Dispatch, units.CountShelf},
		{"POST", "/stock/count", access.Dispatch, units.BookCount},
		{"GET", "/samples", access.Read, units.Samples},
		{"GET", "/samples/{id}", access.Read, units.Sample},
		{"GET", "/samples/{id}/check", access.Pack, units.NewInspection},
		{"POST", "/samples/{id}/check", access.Pack, units.Inspect},
		{"GET", "/samples/{id}/checks/{check}", access.CorrectOwn, units.EditInspection},
		{"POST", "/samples/{id}/checks/{check}", access.CorrectOwn, units.CorrectInspection},
		{"GET", "/samples/{id}/correct", access.CorrectOwn, units.EditSample},
		{"POST", "/samples/{id}/correct", access.CorrectOwn, units.CorrectSample},
		{"GET", "/samples/{id}/end", access.Pack, units.NewEnd},
		{"POST", "/samples/{id}/end", access.Pack, units.EndSample},
		{"GET", "/packings/{code}/sample", access.Pack, units.NewSample},
		{"POST", "/packings/{code}/sample", access.Pack, units.AddSample},
		{"GET", "/crates", access.Read, units.Crates},
		{"GET", "/crates/new", access.Dispatch, units.NewCrate},
		{"POST", "/crates/new", access.Dispatch, units.RecordCrate},
		{"GET", "/crates/{code}", access.Read, units.Crate},
		{"GET", "/crates/{code}/edit", access.Dispatch, units.EditCrate},
		{"POST", "/crates/{code}/edit", access.Dispatch, units.SaveCrate},
		{"POST", "/crates/{code}/add", access.Dispatch, units.AddToCrate},
		{"POST", "/crates/{code}/drop", access.Dispatch, units.DropCrate},
		{"GET", "/crates/{code}/leaves", access.Dispatch, units.NewLeaves},
		{"POST", "/crates/{code}/leaves", access.Dispatch, units.CrateLeaves},
		{"GET", "/crates/{code}/back", access.Dispatch, units.NewCrateBack},
		{"POST", "/crates/{code}/back", access.Dispatch, units.CrateBack},
		{"GET", "/packings/{code}/units", access.Read, units.Units},
		{"GET", "/packings/{code}/move", access.Dispatch, units.NewMove},
		{"POST", "/packings/{code}/move", access.Dispatch, units.Move},
		{"GET", "/packings/{code}/take-back", access.CorrectOwn, units.NewTakeBack},
		{"POST", "/packings/{code}/take-back", access.CorrectOwn, units.TakeBackEntry},
		{"GET", "/packings/{code}/hold", access.Dispatch, units.NewHold},
		{"POST", "/packings/{code}/hold", access.Dispatch, units.PlaceHold},
		{"GET", "/packings/{code}/lift", access.Release, units.NewLift},
		{"POST", "/packings/{code}/lift", access.Release, units.LiftHold},

		{"GET", "/equipment", access.Read, gear.Equipment},
		{"GET", "/equipment/new", access.EditFormula, gear.New},
		{"POST", "/equipment/new", access.EditFormula, gear.Add},
		{"GET", "/equipment/{code}", access.Read, gear.Gear},
		{"GET", "/equipment/{code}/correct", access.CorrectAny, gear.Edit},
		{"POST", "/equipment/{code}/correct", access.CorrectAny, gear.Correct},
		{"GET", "/log", access.Read, gear.Log},
		{"GET", "/log/new", access.Bench, gear.NewEntry},
		{"POST", "/log/new", access.Bench, gear.AddEntry},
		{"GET", "/log/{id}", access.Read, gear.Entry},
		{"GET", "/log/{id}/correct", access.CorrectOwn, gear.EditEntry},
		{"POST", "/log/{id}/correct", access.CorrectOwn, gear.CorrectEntry},

		{"GET", "/find", access.Read, look.Find},
		{"GET", "/find/purchase", access.Read, look.Purchase},
		{"GET", "/recalls", access.Read, recalls.Recalls},
		{"GET", "/recalls/new", access.Recall, recalls.New},
		{"POST", "/recalls/new", access.Recall, recalls.Open},
		{"GET", "/recalls/{n}", access.Read, recalls.Recall},
		{"POST", "/recalls/{n}/extend", access.Recall, recalls.Extend},
		{"POST", "/recalls/{n}/count", access.Dispatch, recalls.Count},
		{"GET", "/recalls/{n}/unblock", access.Recall, recalls.UnblockForm},
		{"POST", "/recalls/{n}/unblock", access.Recall, recalls.Unblock},
		{"GET", "/recalls/{n}/list", access.Read, recalls.List},
		{"GET", "/recalls/{n}/list.csv", access.Read, recalls.CSV},
		{"GET", "/recalls/{n}/list.xlsx", access.Read, recalls.XLSX},
		{"GET", "/recalls/{n}/list.pdf", access.Read, recalls.PDF},
		{"GET", "/complaints", access.Read, complaints.Complaints},
		{"GET", "/complaints/new", access.Complain, complaints.New},
		{"POST", "/complaints/new", access.Complain, complaints.Log},
		{"GET", "/complaints/rates", access.Read, complaints.Rates},
		{"GET", "/complaints/sources", access.Read, complaints.Sources},
		{"GET", "/complaints/{n}", access.Read, complaints.Complaint},
		{"GET", "/complaints/{n}/correct", access.CorrectOwn, complaints.Edit},
		{"POST", "/complaints/{n}/correct", access.CorrectOwn, complaints.Correct},
		{"POST", "/complaints/{n}/packing", access.Complain, complaints.Decide},
		{"POST", "/complaints/{n}/follow", access.Complain, complaints.Follow},
		{"GET", "/complaints/{n}/follow/{id}", access.CorrectOwn, complaints.EditFollow},
		{"POST", "/complaints/{n}/follow/{id}", access.CorrectOwn, complaints.CorrectFollow},
		{"POST", "/complaints/{n}/photos", access.Complain, complaints.AddPhoto},
		{"POST", "/complaints/{n}/close", access.Decide, complaints.Close},
		{"POST", "/complaints/{n}/reopen", access.CorrectAny, complaints.Reopen},
		{"POST", "/complaints/{n}/erase", access.Recall, complaints.Erase},

		{"GET", "/trace", access.Read, traces.Choose},
		{"GET", "/trace/lots/{code}", access.Read, traces.Lot},
		{"GET", "/trace/lots/{code}/list", access.Read, traces.LotList},
		{"GET", "/trace/lots/{code}/list.csv", access.Read, traces.LotCSV},
		{"GET", "/trace/lots/{code}/epcis.jsonld", access.Read, traces.LotEPCIS},
		{"GET", "/trace/batches/{code}", access.Read, traces.Batch},
		{"GET", "/trace/batches/{code}/list", access.Read, traces.BatchList},
		{"GET", "/trace/batches/{code}/list.csv", access.Read, traces.BatchCSV},
		{"GET", "/trace/batches/{code}/epcis.jsonld", access.Read, traces.BatchEPCIS},
		{"GET", "/trace/supplier-lots/{supplier}/{lot}", access.Read, traces.SupplierLot},
		{"GET", "/trace/supplier-lots/{supplier}/{lot}/list", access.Read, traces.SupplierLotList},
		{"GET", "/trace/supplier-lots/{supplier}/{lot}/list.csv", access.Read, traces.SupplierLotCSV},
		{"GET", "/trace/supplier-lots/{supplier}/{lot}/epcis.jsonld", access.Read, traces.SupplierLotEPCIS},
		{"GET", "/trace/sources/{code}", access.Read, traces.Sources},
		{"GET", "/trace/sources/{code}/list.csv", access.Read, traces.SourcesCSV},

		{"GET", "/recalls/{n}/telling", access.Read, telling.Telling},
		{"GET", "/recalls/{n}/telling/{customer}", access.Read, telling.Customer},
		{"POST", "/recalls/{n}/telling/{customer}/told", access.Dispatch, telling.Tell},
		{"POST", "/recalls/{n}/telling/{customer}/answer", access.Dispatch, telling.Answer},
		{"POST", "/recalls/{n}/telling/{customer}/{kind}/{id}/withdraw", access.CorrectOwn, telling.Withdraw},
		{"GET", "/recalls/{n}/letters", access.Read, telling.Letters},
		{"GET", "/recalls/{n}/letters.csv", access.Read, telling.Merge},
		{"POST", "/recalls/{n}/letters/words", access.Dispatch, telling.Words},
		{"POST", "/recalls/{n}/letters/picture", access.Dispatch, telling.Picture},
		{"GET", "/recalls/{n}/letters/{text}", access.Read, telling.Text},
		{"POST", "/recalls/{n}/letters/{text}", access.Dispatch, telling.SaveText},
		{"GET", "/recalls/{n}/letters/{text}.txt", access.Read, telling.TextFile},
		{"GET", "/recalls/{n}/close", access.Recall, telling.CloseForm},
		{"POST", "/recalls/{n}/close", access.Recall, telling.Close},
		{"GET", "/recalls/{n}/report", access.Read, telling.Report},
		{"GET", "/recalls/{n}/report.pdf", access.Read, telling.ReportPDF},
		{"GET", "/drills", access.Read, drills.Drills},
		{"GET", "/drills/new", access.Recall, drills.New},
		{"POST", "/drills/new", access.Recall, drills.Begin},
		{"GET", "/drills/{n}", access.Read, drills.Drill},
		{"POST", "/drills/{n}/count", access.Dispatch, drills.Count},
		{"POST", "/drills/{n}/list", access.Recall, drills.List},
		{"GET", "/drills/{n}/end", access.Recall, drills.EndForm},
		{"POST", "/drills/{n}/end", access.Recall, drills.End},
		{"GET", "/drills/{n}/report", access.Read, drills.Report},
		{"GET", "/drills/{n}/report.pdf", access.Read, drills.ReportPDF},
		{"GET", "/reach", access.Read, reach.Reach},
		{"GET", "/held", access.Read, kept.Held},
		{"POST", "/held", access.Settings, kept.SetMarkets},
	}
}

// Handler is the whole site: pages, which go by a cookie, and the interface for programs, which never looks at one and so
// needs no guard against forms of other sites.
func Handler(h *ui.House) http.Handler {
	r := chi.NewRouter()
	r.Handle("/static/*", static.Handler())
	for _, route := range Routes(h) {
		switch {
		case route.Right == "":
			r.MethodFunc(route.Method, route.Pattern, h.Open(route.Handler))
		case route.Method == http.MethodPost && route.Pattern == paths.ImportData():
			// The one form that may be larger than memory.
			r.MethodFunc(route.Method, route.Pattern, h.Streamed(route.Right, route.Handler))
		default:
			r.MethodFunc(route.Method, route.Pattern, h.For(route.Right, route.Handler))
		}
	}
	r.Get("/healthz", func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("ok\n")) })
	r.Get("/readyz", func(w http.ResponseWriter, r *http.Request) {
		if err := h.Store.Ready(r.Context()); err != nil {
			w.Header().Set("Retry-After", "1")
			http.Error(w, "not ready", http.StatusServiceUnavailable)
			return
		}
		_, _ = w.Write([]byte("ready\n"))
	})
	r.NotFound(h.Open(ui.NotFound))
	r.MethodNotAllowed(h.Open(ui.NotFound))
	pages, programs := headers(crossOrigin(r)), api.Handler(h)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == api.Root || strings.HasPrefix(r.URL.Path, api.Root+"/") {
			programs.ServeHTTP(w, r)
			return
		}
		pages.ServeHTTP(w, r)
	})
}

// crossOrigin refuses a form that another site sent. No bypass patterns.
func crossOrigin(next http.Handler) http.Handler {
	return http.NewCrossOriginProtection().Handler(next)
}

// policy allows our own files and nothing else; no inline script or style anywhere.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; font-src 'self'; connect-src 'self'; " +
	"manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		// no-referrer would make browsers on plain-HTTP LAN addresses send "Origin: null" with our own forms.
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		next.ServeHTTP(w, r)
	})
}

// Server wraps the handler with limits on slow clients.
func Server(addr string, handler http.Handler) *http.Server {
	return &http.Server{Addr: addr, Handler: handler, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 60 * time.Second, WriteTimeout: 120 * time.Second, IdleTimeout: 120 * time.Second, MaxHeaderBytes: 64 << 10}
}
