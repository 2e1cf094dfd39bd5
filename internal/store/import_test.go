package store_test

import (
	"bytes"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/store"
)

// book is a small workshop's tables, in the form in which an export writes them.
func book() map[string]string {
	return map[string]string{
		"workshop.csv": "code,name,zone,code_pattern\nquillmoor,Quillmoor Workshop,Europe/Dublin,{letters}-{yyddd}-{nn}{check}\n",
		"suppliers.csv": "code,name,email,phone,address\nBRACKEN,Bracken & Fenn,orders@bracken.example.org,,\"Mill Lane 4\r\nFenbridge\"\n" +
			"SALT,\"Salt, Ltd\",,+353 1 000 000,\n",
		"customers.csv": "code,name,kind,email,phone,address\nFAIR,Harbour Fair,event,,,\nSHOP,\"The \"\"Green\"\" Shelf\",stockist,shelf@shop.example.org,,\n",
		"materials.csv": "code,name,kind,unit,inci_name,cas_number,density_g_per_ml,tracked\nJAR,Jar,packaging,each,,,,true\nLYE,Sodium hydroxide,raw,g,Sodium Hydroxide,1310-73-2,,true\n" +
			"OIL,Olive oil,raw,ml,Olea Europaea Fruit Oil,,0.915,true\nWATER,Water,raw,g,Aqua,,,false\n",
		"material_lots.csv": "code,material,supplier,supplier_lot,received_on,expires_on,quantity,unit_cost,status,retest_on\nJAR-1,JAR,,,2026-01-02,,500,0.42,released,\n" +
			"LYE-1,LYE,SALT,77/B,2026-01-02,,5000,,released,2027-01-02\nOIL-1,OIL,BRACKEN,K 12,2026-01-03,2027-06-30,10000.5,0.011,released,\nOIL-2,OIL,BRACKEN,K 13,2026-02-03,,2000,,rejected,\nTUB-1,OIL,,,2026-01-04,,0,,released,\n",
		"lot_inputs.csv": "lot,source_lot,quantity\nTUB-1,OIL-1,4000\n",
		"products.csv": "code,name,net_content_g,shelf_life_months,shelf_life_days,shelf_life_from,cap_by_expiry,date_precision\nBALM,Oat balm,50,18,,made,true,month\n" +
			"BAR,Olive bar,95.5,24,,cured,true,day\nODD,Odds,,,,,false,day\n",
		"batches.csv": "code,product,made_at,temperature_c,humidity_pct,cure_started_at,cure_ended_at,packed_at,best_before,status,units_good,units_rejected,units_sampled\n" +
			"OB-26010-01,BAR,2026-01-10T09:30:00Z,19.5,55,2026-01-11T09:00:00Z,2026-02-22T09:00:00Z,2026-02-23T10:00:00Z,2028-02-22,released,40,2,1\n" +
			"OB-26050-01,BAR,2026-02-19T23:30:00.25Z,21,,,,,,packing,12,0,0\n" +
			"OB-26060-01,,2026-03-01T08:00:00Z,,,,,,,curing,,,\n",
		"packings.csv": "code,batch,product,packed_on,units_good,units_rejected,units_retained,best_before,status\n" +
			"OB-26010-01,OB-26010-01,BAR,2026-02-23,30,2,1,2028-02-22,released\nOB-26010-01A,OB-26010-01,ODD,2026-03-01,10,0,0,,quarantined\n" +
			"OB-26050-01,OB-26050-01,BAR,2026-02-19,12,0,0,,quarantined\n",
		"batch_inputs.csv": "batch,material_lot,source_batch,quantity,unit\nOB-26010-01,LYE-1,,512.25,\nOB-26010-01,TUB-1,,3000,\n" +
			"OB-26050-01,,OB-26010-01,120,g\nOB-26050-01,,OB-26010-01A,3,each\nOB-26050-01,OIL-1,,800,\n",
		"packing_inputs.csv":   "packing,material_lot,quantity\nOB-26010-01,JAR-1,31\n",
		"dispatches.csv":       "code,customer,dispatched_on,batch,units\nD-1,SHOP,2026-03-02,OB-26010-01,10\nD-1,SHOP,2026-03-02,OB-26010-01A,2\nD-2,FAIR,2026-03-09,OB-26010-01,12\n",
		"returns.csv":          "code,dispatch,batch,returned_on,units,disposition\nR-1,D-2,OB-26010-01,2026-03-10,5,restock\nR-2,,OB-26010-01,2026-03-11,1,destroy\nR-3,D-1,OB-26010-01,2026-03-12,2,hold\n",
		"unit_moves.csv":       "code,batch,moved_on,units,reason,note\nU-1,OB-26010-01,2026-03-02,-1,tester,\"for the, stall\"\n",
		"stock_moves.csv":      "code,material_lot,moved_on,quantity,reason,note\nS-1,OIL-1,2026-03-02,-20.5,write_off,spilt\n",
		"climate_readings.csv": "place,taken_at,temperature_c,humidity_pct\nCuring room,2026-01-12T00:00:00Z,18.25,57\nCuring room,2026-01-12T00:10:00Z,-2,57.5\n",
	}
}

func writeBook(t *testing.T, files map[string]string) store.ImportSource {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	src, err := store.OpenImportDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	return src
}

func (h house) bring(t *testing.T, files map[string]string, o store.ImportOptions) store.ImportReport {
	t.Helper()
	report, err := h.Import(t.Context(), h.owner, writeBook(t, files), o)
	if err != nil {
		t.Fatal(err)
	}
	return report
}

// exported are the contract's tables.
func (h house) exported(t *testing.T) map[string]string {
	t.Helper()
	files := h.exportedWhole(t)
	maps.DeleteFunc(files, func(name, _ string) bool { return strings.HasPrefix(name, "book/") })
	return files
}

func (h house) exportedWhole(t *testing.T) map[string]string {
	t.Helper()
	files := map[string]*bytes.Buffer{}
	if err := h.Export(t.Context(), h.owner.Workshop, func(name string) (io.Writer, error) {
		files[name] = &bytes.Buffer{}
		return files[name], nil
	}); err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for name, b := range files {
		out[name] = b.String()
	}
	return out
}

func (h house) verified(t *testing.T) []string {
	t.Helper()
	verdicts, err := store.Verify(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	return verdicts[0].Broken
}

func toldOf(r store.ImportReport) []string {
	var out []string
	for _, f := range r.Faults {
		out = append(out, f.String())
	}
	return out
}

func TestWhatWasImportedIsExportedByteForByte(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.bring(t, book(), store.ImportOptions{})
	if diff := cmp.Diff([]string(nil), toldOf(r)); diff != "" || !r.Saved {
		t.Fatalf("saved %v, faults (-want +got):\n%s", r.Saved, diff)
	}
	if diff := cmp.Diff(book(), h.exported(t)); diff != "" {
		t.Errorf("exported (-imported +exported):\n%s", diff)
	}
	if broken := h.verified(t); len(broken) > 0 {
		t.Errorf("verify: %q", broken)
	}
	again := h.bring(t, h.exported(t), store.ImportOptions{})
	if !again.Nothing() || again.Saved {
		t.Errorf("the same again: %+v %q", again.Tables, toldOf(again))
	}
}

func TestAnImportedRowAlteredAsideIsFoundByVerify(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.bring(t, book(), store.ImportOptions{})
	h.asOwner(t, `ALTER TABLE dispatch_line DISABLE TRIGGER USER`, `UPDATE dispatch_line SET units = units + 1 WHERE units = 10`)
	if broken := h.verified(t); !slices.ContainsFunc(broken, func(s string) bool { return strings.Contains(s, "dispatch_line") }) {
		t.Errorf("verify says %q", broken)
	}
}

func TestAnUpdateIsACorrectionAndVerifies(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.bring(t, book(), store.ImportOptions{})
	changed := book()
	for file, change := range map[string][2]string{
		"suppliers.csv":        {"Bracken & Fenn", "Bracken and Fenn"},
		"customers.csv":        {"Harbour Fair", "Harbour Spring Fair"},
		"materials.csv":        {"0.915", "0.916"},
		"material_lots.csv":    {"K 12", "K 12/2"},
		"lot_inputs.csv":       {"4000", "4100"},
		"products.csv":         {"Odds", "Odds and ends"},
		"batches.csv":          {"19.5,55", "19.4,56"},
		"packings.csv":         {"2026-03-01,10", "2026-03-02,10"},
		"batch_inputs.csv":     {"512.25", "512.5"},
		"packing_inputs.csv":   {"31", "32"},
		"dispatches.csv":       {"D-2,FAIR,2026-03-09,OB-26010-01,12", "D-2,FAIR,2026-03-08,OB-26010-01,13"},
		"returns.csv":          {"2026-03-12,2,hold", "2026-03-12,1,hold"},
		"unit_moves.csv":       {"-1,tester", "-2,broken"},
		"stock_moves.csv":      {"-20.5", "-21"},
		"climate_readings.csv": {"18.25", "18.5"},
	} {
		if !strings.Contains(changed[file], change[0]) {
			t.Fatalf("%s has no %q", file, change[0])
		}
		changed[file] = strings.Replace(changed[file], change[0], change[1], 1)
	}
	r := h.bring(t, changed, store.ImportOptions{})
	if r.Saved || len(r.Faults) != 15 {
		t.Errorf("without update: saved %v, %d conflicts: %q", r.Saved, len(r.Faults), toldOf(r))
	}
	if diff := cmp.Diff(book(), h.exported(t)); diff != "" {
		t.Errorf("a refused import left something:\n%s", diff)
	}
	r = h.bring(t, changed, store.ImportOptions{Update: true})
	if !r.Saved {
		t.Fatalf("with update: %q", toldOf(r))
	}
	if diff := cmp.Diff(changed, h.exported(t)); diff != "" {
		t.Errorf("after the update (-asked +exported):\n%s", diff)
	}
	if broken := h.verified(t); len(broken) > 0 {
		t.Errorf("verify: %q", broken)
	}
}

func TestAPreviewLeavesNothing(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	before := h.exported(t)
	r := h.bring(t, book(), store.ImportOptions{Preview: true})
	if r.Saved || r.Nothing() || len(r.Faults) > 0 {
		t.Errorf("preview: %+v", r)
	}
	if diff := cmp.Diff(before, h.exported(t)); diff != "" {
		t.Errorf("a preview left something:\n%s", diff)
	}
}

func TestABatchWithUnitsIsItsOwnPacking(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	files := book()
	delete(files, "packings.csv")
	files["batches.csv"] = "code,product,made_at,status,units_good,units_rejected,units_sampled,best_before,packed_at\nOB-1,BAR,2026-01-10T09:30:00Z,released,20,3,2,2028-01-31,2026-01-12T12:00:00Z\nOB-2,BAR,2026-01-11T09:30:00Z,making,,,,,\n"
	for _, file := range []string{"batch_inputs.csv", "packing_inputs.csv", "dispatches.csv", "returns.csv", "unit_moves.csv"} {
		delete(files, file)
	}
	r := h.bring(t, files, store.ImportOptions{})
	if !r.Saved {
		t.Fatalf("%q", toldOf(r))
	}
	out := h.exported(t)
	if diff := cmp.Diff("code,batch,product,packed_on,units_good,units_rejected,units_retained,best_before,status\nOB-1,OB-1,BAR,2026-01-12,20,3,2,2028-01-31,released\n", out["packings.csv"]); diff != "" {
		t.Errorf("packings (-want +got):\n%s", diff)
	}
	if again := h.bring(t, files, store.ImportOptions{}); !again.Nothing() {
		t.Errorf("the same again: %+v %q", again.Tables, toldOf(again))
	}
	if again := h.bring(t, out, store.ImportOptions{}); !again.Nothing() {
		t.Errorf("its export again: %+v %q", again.Tables, toldOf(again))
	}
	files["batches.csv"] = strings.Replace(files["batches.csv"], "20,3,2", "21,2,2", 1)
	if r := h.bring(t, files, store.ImportOptions{Update: true}); !r.Saved {
		t.Fatalf("%q", toldOf(r))
	}
	if got := h.exported(t)["packings.csv"]; !strings.Contains(got, "OB-1,OB-1,BAR,2026-01-12,21,2,2,2028-01-31,released") {
		t.Errorf("after an update the packing is\n%s", got)
	}
}

// TestEachRefusalIsToldAtItsRow is the refusal list of the contract, each against a book that is otherwise sound.
func TestEachRefusalIsToldAtItsRow(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name, file, old, new string
		want                 []string
	}{
		{"an unknown reference", "batch_inputs.csv", "OB-26010-01,LYE-1", "OB-26010-01,LYE-9", []string{`batch_inputs.csv:2: material_lot: no lot "LYE-9" here or in this import`}},
		{"an unknown batch", "batch_inputs.csv", "OB-26050-01,,OB-26010-01,120,g", "OB-26050-01,,LV-26073-01Z,120,g", []string{`batch_inputs.csv:4: source_batch: no batch "LV-26073-01Z" here or in this import`}},
		{"a batch that contains itself", "batch_inputs.csv", "OB-26010-01,LYE-1,,512.25,", "OB-26010-01,,OB-26050-01,1,g", []string{
			`batch_inputs.csv:2: source_batch: batch "OB-26010-01" would contain itself`, `batch_inputs.csv:4: source_batch: batch "OB-26050-01" would contain itself`, `batch_inputs.csv:5: source_batch: batch "OB-26050-01" would contain itself`,
		}},
		{"a lot that contains itself", "lot_inputs.csv", "TUB-1,OIL-1,4000\n", "TUB-1,OIL-1,4000\nOIL-1,TUB-1,1\n", []string{`lot_inputs.csv:2: source_lot: lot "TUB-1" would contain itself`, `lot_inputs.csv:3: source_lot: lot "OIL-1" would contain itself`}},
		{"more units sent than made", "dispatches.csv", "OB-26010-01A,2", "OB-26010-01A,8", []string{`dispatches.csv:3: units: more units of "OB-26010-01A" are sent, used and moved out than were made and came back, by 1`}},
		{"more drawn than a lot held", "batch_inputs.csv", "512.25", "5000.5", []string{`batch_inputs.csv:2: quantity: more is drawn from lot "LYE-1" than it held, by 0.5`}},
		{"a negative number", "batch_inputs.csv", "512.25", "-512.25", []string{`batch_inputs.csv:2: quantity: -512.25: has to be 0 or more`}},
		{"no number at all", "batch_inputs.csv", "512.25", "Inf", []string{`batch_inputs.csv:2: quantity: "Inf" is not a number with a point, such as 12.5`}},
		{"NaN", "material_lots.csv", "10000.5", "NaN", []string{`material_lots.csv:4: quantity: "NaN" is not a number with a point, such as 12.5`}},
		{"a day that does not exist", "material_lots.csv", "2027-06-30", "2027-06-31", []string{`material_lots.csv:4: expires_on: "2027-06-31": there is no such day`}},
		{"too humid", "climate_readings.csv", "57.5", "100.5", []string{`climate_readings.csv:3: humidity_pct: 100.5: has to be 100 or less`}},
		{"the same identity twice", "customers.csv", "FAIR,Harbour Fair,event,,,\n", "FAIR,Harbour Fair,event,,,\nFAIR,Harbour Fair,event,,,\n", []string{`customers.csv:3: code: the same stands in row 2`}},
		{"an unknown column", "suppliers.csv", "code,name,email", "code,name,e_mail", []string{`suppliers.csv:1: unknown column "e_mail"; the columns are code, name, email, phone, address`}},
		{"a column twice", "suppliers.csv", "code,name,email,phone", "code,name,name,phone", []string{`suppliers.csv:1: name: the column stands there twice`}},
		{"two dispatches in one code", "dispatches.csv", "D-1,SHOP,2026-03-02,OB-26010-01A", "D-1,FAIR,2026-03-02,OB-26010-01A", []string{`dispatches.csv:3: customer: dispatch "D-1" goes to "SHOP" on 2026-03-02 in row 2; a dispatch has one customer and day`}},
		{"codes that read the same", "batches.csv", "OB-26060-01,", "0b26o5001,", []string{`batches.csv:4: code: reads the same as "OB-26050-01" once case, separators and look-alikes (O 0, I L 1) are put aside`}},
		{"units that are not the packings' sum", "batches.csv", "released,40,2,1", "released,41,2,1", []string{`batches.csv:2: units_good: says 41, its packings make 40`}},
		{"a code too long for a unit", "batches.csv", "OB-26060-01,", "OB-26060-01-OB-26060-01,", []string{`batches.csv:4: code: "OB-26060-01-OB-26060-01": a batch code has at most 20 characters, and this one has 23`}},
		{"a quote never closed", "unit_moves.csv", "\"for the, stall\"", "\"for the, stall", []string{`unit_moves.csv:2: a quote is opened and never closed`}},
		{"a NUL byte", "stock_moves.csv", "spilt", "sp\x00ilt", []string{`stock_moves.csv:2: note: a NUL byte stands in it`}},
		{"broken UTF-8", "stock_moves.csv", "spilt", "sp\xffilt", []string{`stock_moves.csv:2: note: this is not UTF-8 text; save the file as UTF-8`}},
		{"a word that is none", "customers.csv", "stockist", "shop", []string{`customers.csv:3: kind: "shop" is none of stockist, online, event, direct`}},
		{"neither lot nor batch", "batch_inputs.csv", "OB-26010-01,LYE-1", "OB-26010-01,", []string{`batch_inputs.csv:2: material_lot: either material_lot or source_batch is needed`}},
		{"a field too many", "suppliers.csv", "SALT,", "SALT,x,", []string{`suppliers.csv:3: has 6 fields, the header has 5`}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t)
			before := h.exported(t)
			files := book()
			if !strings.Contains(files[tt.file], tt.old) {
				t.Fatalf("%s has no %q", tt.file, tt.old)
			}
			files[tt.file] = strings.Replace(files[tt.file], tt.old, tt.new, 1)
			r := h.bring(t, files, store.ImportOptions{})
			got := toldOf(r)
			for _, want := range tt.want {
				if !slices.Contains(got, want) {
					t.Errorf("not told: %s\ntold: %s", want, strings.Join(got, "\n      "))
				}
			}
			if r.Saved {
				t.Error("it was saved")
			}
			if diff := cmp.Diff(before, h.exported(t)); diff != "" {
				t.Errorf("a refused import left something:\n%s", diff)
			}
		})
	}
}

// TestALargeImportCountsItsStockAsASmallOneDoes holds the sums over the whole book to those of the views: each kind of ledger row
// is made one too many, in a book and in one that comes with hundreds of readings.
func TestALargeImportCountsItsStockAsASmallOneDoes(t *testing.T) {
	t.Parallel()
	var readings strings.Builder
	for n := range 600 {
		fmt.Fprintf(&readings, "Store,2026-02-%02dT%02d:%02d:00Z,18,50\n", 1+n/60, n%24, n%60)
	}
	for _, tt := range []struct{ name, file, old, new, want string }{
		{"all as it is", "units.csv", "", "", ""},
		{"just what there is is sent", "dispatches.csv", "OB-26010-01A,2", "OB-26010-01A,7", ""},
		{"one unit more", "dispatches.csv", "OB-26010-01A,2", "OB-26010-01A,8", `dispatches.csv:3: units: more units of "OB-26010-01A" are sent, used and moved out than were made and came back, by 1`},
		{"units used in a batch", "batch_inputs.csv", "OB-26010-01A,3,each", "OB-26010-01A,9,each", `dispatches.csv:3: units: more units of "OB-26010-01A" are sent, used and moved out than were made and came back, by 1`},
		{"units moved out", "unit_moves.csv", "-1,tester", "-16,tester", `dispatches.csv:4: units: more units of "OB-26010-01" are sent, used and moved out than were made and came back, by 1`},
		{"units destroyed", "returns.csv", "5,restock", "5,destroy", ""},
		{"units destroyed that were counted on", "unit_moves.csv", "-1,tester", "-15,tester", ""},
		{"all of a lot", "batch_inputs.csv", "512.25", "5000", ""},
		{"more than a lot held", "batch_inputs.csv", "512.25", "5000.5", `batch_inputs.csv:2: quantity: more is drawn from lot "LYE-1" than it held, by 0.5`},
		{"more than a tub was filled with", "batch_inputs.csv", "TUB-1,,3000", "TUB-1,,4000.25", `batch_inputs.csv:3: quantity: more is drawn from lot "TUB-1" than it held, by 0.25`},
		{"more into a tub than there was", "lot_inputs.csv", "4000", "9200", `batch_inputs.csv:6: quantity: more is drawn from lot "OIL-1" than it held, by 20`},
		{"more jars", "packing_inputs.csv", "31", "501", `packing_inputs.csv:2: quantity: more is drawn from lot "JAR-1" than it held, by 1`},
		{"more written off", "stock_moves.csv", "-20.5", "-5200.75", `batch_inputs.csv:6: quantity: more is drawn from lot "OIL-1" than it held, by 0.25`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			files := book()
			files[tt.file] = strings.Replace(files[tt.file], tt.old, tt.new, 1)
			if tt.file == "units.csv" {
				delete(files, tt.file)
			}
			few := newHouse(t).bring(t, files, store.ImportOptions{})
			files["climate_readings.csv"] += readings.String()
			many := newHouse(t).bring(t, files, store.ImportOptions{})
			if diff := cmp.Diff(toldOf(few), toldOf(many)); diff != "" {
				t.Errorf("told (-small +large):\n%s", diff)
			}
			if got := strings.Join(toldOf(many), "\n"); got != tt.want || many.Saved != (tt.want == "") {
				t.Errorf("saved %v, told %q, want %q", many.Saved, got, tt.want)
			}
		})
	}
}

func TestHistoryIsNotJudged(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	files := book()
	for file, change := range map[string][2]string{
		"material_lots.csv": {"2026-01-03,2027-06-30", "2029-01-03,2020-06-30"}, // received after use, expired before
		"batch_inputs.csv":  {"OB-26010-01A,3,each", "OB-26010-01A,2.5,each"},
		"dispatches.csv":    {"D-1,SHOP,2026-03-02,OB-26010-01,", "D-1,SHOP,2026-03-02,OB-26010-01,"},
		"unit_moves.csv":    {"-1,tester", "1,gift"},
		"lot_inputs.csv":    {"TUB-1,OIL-1,4000\n", "TUB-1,OIL-1,4000\nTUB-1,OIL-2,0\n"},
	} {
		files[file] = strings.Replace(files[file], change[0], change[1], 1)
	}
	files["batch_inputs.csv"] = strings.Replace(files["batch_inputs.csv"], "120,g", "120000,g", 1)
	if r := h.bring(t, files, store.ImportOptions{}); !r.Saved {
		t.Errorf("%q", toldOf(r))
	}
}

func TestEveryErrorIsToldAndPastAThousandTheyAreCounted(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	var b strings.Builder
	b.WriteString("code,material,received_on,quantity,status\n")
	for n := range 1500 {
		fmt.Fprintf(&b, "L%d,NONE,2026-01-01,1,released\n", n)
	}
	b.WriteString("X,,2026-02-30,1,released\n")
	r := h.bring(t, map[string]string{"material_lots.csv": b.String()}, store.ImportOptions{})
	if len(r.Faults) != store.MostFaults || int64(len(r.Faults))+r.More != 1502 || r.Saved {
		t.Errorf("%d told and %d counted, saved %v", len(r.Faults), r.More, r.Saved)
	}
	want := []store.TableCount{{Table: "material_lots", Refused: 1501}}
	if diff := cmp.Diff(want, r.Tables); diff != "" {
		t.Errorf("counts (-want +got):\n%s", diff)
	}
}

func TestColumnsMayStandInAnyOrderAndRowsEndInCRLF(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.bring(t, map[string]string{"suppliers.csv": "\xef\xbb\xbfname,code\r\nBracken & Fenn,BRACKEN\r\n\r\n"}, store.ImportOptions{})
	if !r.Saved {
		t.Fatalf("%q", toldOf(r))
	}
	if diff := cmp.Diff("code,name,email,phone,address\nBRACKEN,Bracken & Fenn,,,\n", h.exported(t)["suppliers.csv"]); diff != "" {
		t.Errorf("exported (-want +got):\n%s", diff)
	}
}

func TestAFileOfNoTableIsRefused(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	files := maps.Clone(book())
	files["recipes.csv"] = "a\nb\n"
	r := h.bring(t, files, store.ImportOptions{})
	if diff := cmp.Diff([]string{"recipes.csv: is no table of a workshop"}, toldOf(r)); diff != "" || r.Saved {
		t.Errorf("saved %v (-want +got):\n%s", r.Saved, diff)
	}
}
