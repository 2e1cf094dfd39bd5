package recordpages

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"os"
	"path"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/record"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/trace"
	"example.org/stillroom/web/ui"
	"example.org/stillroom/web/ui/paper"
)

// folderMost is the most bytes of papers that one folder takes.
const folderMost = 512 << 20

// Folder sends everything about a batch as one zip file. It is written to a temporary file first, piece by piece, so that
// memory stays flat and a folder that could not be finished is never sent as if it were whole.
func (a Area) Folder(r *ui.Request) error {
	if err := a.export(r, "inspection folder"); err != nil {
		return err
	}
	all, err := a.Store.Folder(r.HTTP.Context(), r.Who.Workshop, r.Param("code"), r.Who.Name, r.Now)
	if err != nil {
		return err
	}
	s := all.Record
	file, err := os.CreateTemp("", "stillroom-folder-*")
	if err != nil {
		return fmt.Errorf("inspection folder: %w", err)
	}
	defer func() {
		_ = file.Close()
		_ = os.Remove(file.Name())
	}()
	f := newFolder(file, "batch-"+fileName(s.Code), s.Now)
	if err := a.fill(r, f, all); err != nil {
		return fmt.Errorf("inspection folder of %s: %w", s.Code, err)
	}
	size, err := file.Seek(0, io.SeekEnd)
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	if err != nil {
		return fmt.Errorf("inspection folder of %s: %w", s.Code, err)
	}
	h := r.W.Header()
	h.Set("Content-Type", "application/zip")
	h.Set("Content-Length", strconv.FormatInt(size, 10))
	h.Set("Content-Disposition", `attachment; filename="batch-`+fileName(s.Code)+`.zip"`)
	// Once the head is sent, a failure can only cut the line: the length tells the browser.
	if _, err := io.Copy(r.W, file); err != nil {
		r.Log("inspection folder not taken", "code", s.Code, "error", err.Error())
	}
	return nil
}

// fill writes all files and ends the folder.
func (a Area) fill(r *ui.Request, f *folder, all store.Folder) error {
	ctx, s, papers := r.HTTP.Context(), all.Record, all.Papers
	doc := record.Build(s)
	total := int64(0)
	for _, p := range papers {
		total += int64(p.Size)
	}
	if total > folderMost {
		return fault.New(fault.Conflict, fmt.Sprintf("The papers come to %d MB, and a folder takes %d. Take them from the pages of the lots; the record alone is there as PDF.", total>>20, folderMost>>20))
	}
	pdf, err := paper.PDF(doc, s.Now)
	if err != nil {
		return err
	}
	if err := f.file("record.pdf", "the batch record", func(w io.Writer) error { _, err := w.Write(pdf); return err }); err != nil {
		return err
	}
	if err := traces(f, all); err != nil {
		return err
	}
	if err := f.file("log.csv", "what of the workshop's log belongs to the batch: equipment, cleaning, pests, water, training", func(w io.Writer) error { return logCSV(w, all.Log, s.Zone) }); err != nil {
		return err
	}
	if err := f.file("samples.csv", "retained samples, with their inspections", func(w io.Writer) error { return samplesCSV(w, s.Samples) }); err != nil {
		return err
	}
	if err := a.papers(ctx, f, r.Who.Workshop, papers); err != nil {
		return err
	}
	return f.end(doc)
}

// traces writes where the batch went and what it was made of. Customers by name stand in forward.csv and nowhere else.
func traces(f *folder, all store.Folder) error {
	s, forward, backward := all.Record, all.Forward, all.Backward
	if err := f.file("trace/forward.csv", "where it went: PRIVATE, names and addresses of customers", func(w io.Writer) error { return trace.RecallCSV(w, forward.Lines) }); err != nil {
		return err
	}
	if err := f.file("trace/backward.csv", "what went into it, through every level", func(w io.Writer) error { return trace.SourcesListCSV(w, backward.Lines) }); err != nil {
		return err
	}
	return f.file("trace/summary.txt", "both traces in short, without names of customers", func(w io.Writer) error {
		_, err := io.WriteString(w, summary(s, forward, backward))
		return err
	})
}

// summary is both traces in words; customers are counted by kind.
func summary(s record.Source, forward store.TraceForward, backward store.TraceBackward) string {
	var b strings.Builder
	t := forward.Totals
	fmt.Fprintf(&b, "Batch %s, made %s, as the book stood %s\n\nForward: %s, %s\n", s.Code, s.Style.Day(s.MadeOn), s.Style.Moment(s.Now, s.Zone), many(t.Batches, "batch", "batches"), many(t.Customers, "customer", "customers"))
	fmt.Fprintf(&b, "  good %d, on hand %d, dispatched %d, returned %d, destroyed %d, used in other batches %d, moved without a dispatch %d\n", t.UnitsGood, t.UnitsOnHand, t.UnitsDispatched, t.UnitsReturned, t.UnitsDestroyed, t.UnitsUsed, t.UnitsMoved)
	if t.AccountedPct != nil {
		fmt.Fprintf(&b, "  accounted for: %s %%\n", quantity.Format(decimal.NewFromFloat(*t.AccountedPct).Round(2)))
	}
	kinds := map[string]int{}
	for _, l := range forward.Lines {
		kinds[l.CustomerKind] += l.Units
	}
	for _, kind := range []string{"stockist", "online", "event", "direct"} {
		if kinds[kind] > 0 {
			fmt.Fprintf(&b, "  sent to %s: %s\n", kind, many(kinds[kind], "unit", "units"))
		}
	}
	for _, row := range forward.Batches {
		made, err := day.Parse(row.MadeOn)
		when := s.Style.Day(made)
		if err != nil {
			when = row.MadeOn
		}
		fmt.Fprintf(&b, "  step %d: batch %s %s, %s, made %s, good %d, on hand %d, dispatched %d\n", row.Depth, row.Code, forward.Names[row.Code], row.Status, when, row.UnitsGood, row.UnitsOnHand, row.UnitsDispatched)
	}
	for _, away := range forward.CorrectedAway {
		fmt.Fprintf(&b, "  reached only by entries that were corrected since: %s\n", away)
	}
	fmt.Fprintf(&b, "\nBackward: %s\n", many(len(backward.Lines), "input", "inputs"))
	for _, l := range backward.Lines {
		from := l.MaterialLot
		if l.SourceBatch != "" {
			from = "batch " + l.SourceBatch
		}
		if from == "" {
			from = "no lot"
		}
		amount := quantity.Format(l.Quantity) + " " + l.Unit
		if l.Unit == "g" {
			amount = s.Style.Grams(l.Quantity)
		}
		into := l.Batch
		if l.IntoLot != "" {
			into = "tub " + l.IntoLot + " of " + l.Batch
		}
		fmt.Fprintf(&b, "  step %d: into %s: %s %s, %s", l.Depth, into, from, l.MaterialName, amount)
		if l.SupplierName != "" {
			fmt.Fprintf(&b, ", from %s, lot %s", l.SupplierName, l.SupplierLot)
		}
		b.WriteString("\n")
	}
	return b.String()
}

func many(n int, one, several string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + several
}

// papers writes the stored files, and says where the bytes of one are not what came in.
func (a Area) papers(ctx context.Context, f *folder, workshop store.WorkshopID, papers []store.FolderPaper) error {
	var to *writing
	if err := a.Store.FolderFiles(ctx, workshop, papers, func(p store.FolderPaper) (err error) {
		f.close(to)
		place, of := "papers/batch", "of the batch"
		if p.Lot != "" {
			place, of = "papers/lots/"+safeName(p.Lot), "of lot "+p.Lot+", "+p.Material
		}
		to, err = f.open(place+"/"+strings.ReplaceAll(p.Kind, "_", "-")+" "+safeName(p.Name), record.PaperKind(p.Kind)+" "+of, hex.EncodeToString(p.SHA256))
		return err
	}, func(data []byte) error {
		_, err := to.Write(data)
		return err
	}); err != nil {
		return err
	}
	f.close(to)
	return nil
}

// folder is a zip file being written, with the list of what is in it.
type folder struct {
	zip   *zip.Writer
	root  string
	now   time.Time
	taken map[string]bool
	list  []listed
}

type listed struct{ name, what, sum string }

func newFolder(w io.Writer, root string, now time.Time) *folder {
	return &folder{zip: zip.NewWriter(w), root: root, now: now, taken: map[string]bool{}}
}

func (f *folder) file(name, what string, write func(io.Writer) error) error {
	w, err := f.open(name, what, "")
	if err != nil {
		return err
	}
	if err := write(w); err != nil {
		return err
	}
	f.close(w)
	return nil
}

// writing is a file of the folder that is being written.
type writing struct {
	to               io.Writer
	sum              hash.Hash
	name, what, want string
}

func (w *writing) Write(b []byte) (int, error) {
	_, _ = w.sum.Write(b)
	return w.to.Write(b)
}

// open begins a file under a name that no other has, whatever the case: not every file system tells them apart. want is
// the SHA-256 that its bytes should have, empty where nothing is known of them. It is closed before the next is opened.
func (f *folder) open(name, what, want string) (*writing, error) {
	name = f.unique(name)
	w, err := f.zip.CreateHeader(&zip.FileHeader{Name: f.root + "/" + name, Method: zip.Deflate, Modified: f.now})
	return &writing{w, sha256.New(), name, what, want}, err
}

// close lists a file with the sum of what was written; nil is none.
func (f *folder) close(w *writing) {
	if w == nil {
		return
	}
	got := hex.EncodeToString(w.sum.Sum(nil))
	if w.want != "" && got != w.want {
		w.what += "; its bytes are NOT those that came in (" + w.want + ")"
	}
	f.list = append(f.list, listed{w.name, w.what, got})
}

func (f *folder) unique(name string) string {
	stem, ending := strings.TrimSuffix(name, path.Ext(name)), path.Ext(name)
	for n := 2; f.taken[strings.ToLower(name)]; n++ {
		name = fmt.Sprintf("%s (%d)%s", stem, n, ending)
	}
	f.taken[strings.ToLower(name)] = true
	return name
}

// end writes what is in the folder, and the sums in the form that sha256sum -c reads.
func (f *folder) end(doc record.Document) error {
	about := fmt.Sprintf("%s, %s\n%s\n\nTo see that no file was changed since: sha256sum -c sha256.txt\n\n", doc.Title, doc.Workshop, doc.Printed)
	var sums bytes.Buffer
	for _, l := range f.list {
		about += l.sum + "  " + l.name + "\n    " + l.what + "\n"
	}
	if err := f.file("contents.txt", "", func(w io.Writer) error { _, err := io.WriteString(w, about); return err }); err != nil {
		return err
	}
	for _, l := range f.list {
		fmt.Fprintf(&sums, "%s  %s\n", l.sum, l.name)
	}
	if err := f.file("sha256.txt", "", func(w io.Writer) error { _, err := sums.WriteTo(w); return err }); err != nil {
		return err
	}
	return f.zip.Close()
}

// safeName is a name as a file may have it on any system: no separators, no characters that some refuse, no dots or
// spaces at its ends, at most 100 characters with its ending kept.
func safeName(name string) string {
	clean := strings.Map(func(c rune) rune {
		switch {
		case unicode.IsLetter(c), unicode.IsDigit(c), strings.ContainsRune(" -_.,()+", c):
			return c
		case unicode.Is(unicode.Mn, c):
			return c
		}
		return '_'
	}, name)
	clean = strings.Trim(clean, " .")
	ending := path.Ext(clean)
	stem := strings.TrimRight(strings.TrimSuffix(clean, ending), " .")
	if utf8.RuneCountInString(ending) > 10 {
		stem, ending = clean, ""
	}
	if runes := []rune(stem); len(runes) > 90 {
		stem = string(runes[:90])
	}
	if stem == "" {
		stem = "paper"
	}
	// CON, NUL and the like are devices on Windows, with any ending.
	switch strings.ToUpper(stem) {
	case "CON", "PRN", "AUX", "NUL", "COM1", "COM2", "COM3", "COM4", "COM5", "COM6", "COM7", "COM8", "COM9", "LPT1", "LPT2", "LPT3", "LPT4", "LPT5", "LPT6", "LPT7", "LPT8", "LPT9":
		stem = "_" + stem
	}
	return stem + ending
}

// logCSV writes the log for a spreadsheet, as the other lists are: RFC 4180, dates as ISO 8601, texts guarded.
func logCSV(w io.Writer, logs []store.LogEntry, zone *time.Location) error {
	out := csv.NewWriter(w)
	rows := [][]string{{"kind", "equipment", "about", "at", "result", "words", "reference_g", "shown_g", "tolerance_g", "next_on", "by", "written_at"}}
	for _, l := range logs {
		about := l.About
		if l.Equipment != "" {
			about = l.EquipmentName
		}
		rows = append(rows, []string{l.Kind, trace.Guard(l.Equipment), trace.Guard(about), l.HappenedAt.In(zone).Format(time.RFC3339), l.Result, trace.Guard(l.Words),
			plainMaybe(l.ReferenceG), plainMaybe(l.ShownG), plainMaybe(l.ToleranceG), l.NextOn.String(), trace.Guard(l.By), l.Made.At.In(zone).Format(time.RFC3339)})
	}
	return out.WriteAll(rows)
}

// samplesCSV writes one row an inspection, or one for a sample that was not looked at yet.
func samplesCSV(w io.Writer, samples []record.Sample) error {
	out := csv.NewWriter(w)
	rows := [][]string{{"packing", "units", "place", "taken_on", "keep_until", "ended_on", "ended_note", "corrected", "looked_on", "result", "words", "units_used", "by", "inspection_corrected"}}
	for _, s := range samples {
		row := []string{trace.Guard(s.Packing), strconv.Itoa(s.Units), trace.Guard(s.Place), s.Taken.String(), s.Until.String(), s.Ended.String(), trace.Guard(s.EndedNote), yes(s.Gone != nil)}
		if len(s.Inspections) == 0 {
			rows = append(rows, append(row, "", "", "", "", "", ""))
		}
		for _, l := range s.Inspections {
			rows = append(rows, append(append([]string{}, row...), l.On.String(), l.Result, trace.Guard(l.Words), strconv.Itoa(l.Used), trace.Guard(l.By), yes(l.Gone != nil)))
		}
	}
	return out.WriteAll(rows)
}

func plainMaybe(d decimal.NullDecimal) string {
	if !d.Valid {
		return ""
	}
	return quantity.Plain(d.Decimal)
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return ""
}
