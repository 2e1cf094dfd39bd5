package web_test

import (
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
)

// measuresKept are figures that stay as they are written in any workshop: densities, water in the air, and the price
// of a gram. So do dates as labels have them: they are decided, and frozen, at packing.
var measuresKept = regexp.MustCompile(`g per ml|\d g/m³|g of water in 1 m³|Price of 1 g|cut to \d+ \w+ \d{4} by|To the day[ |]*\d+ \w+ \d{4}`)

// measuresWords are words that would be wrong in a workshop of the other units and order of dates.
var measuresWords = []struct {
	name  string
	style measure.Style
	wrong *regexp.Regexp
}{
	{"ounces, °F and the month first", measure.Style{Mass: "oz", Temperature: "F", Date: "mdy"}, regexp.MustCompile(`\d[  ]k?g\b|°C|\b\d{1,2} (?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b`)},
	{"grams, °C and the day first", measure.Style{Mass: "g", Temperature: "C", Date: "dmy"}, regexp.MustCompile(`\d[  ](?:oz|lb)\b|°F|\b(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) \d{1,2}\b`)},
}

func TestEveryPageIsInTheWorkshopsUnitsAndTheBookStaysAsItIs(t *testing.T) {
	t.Parallel()
	w := newServedDemo(t)
	before := w.rows(t)
	stored := w.storedWords(t)
	for _, c := range measuresWords {
		w.setStyle(t, c.style)
		figures := 0
		w.eachGet(t, func(t *testing.T, path string, a walkAnswer) {
			if !a.html() || strings.HasPrefix(path, "/settings") {
				return
			}
			doc := a.page(t)
			// What a person may choose, and an address, is no figure that the page shows.
			doc.Find("td, th, dt, dd, li, span, label").AppendHtml(" | ") // the end of one cell is no part of the next
			doc.Find("option, script, input, textarea").Remove()
			text := stored.Replace(strings.Join(strings.Fields(doc.Find("main").Text()), " "))
			text = measuresKept.ReplaceAllString(text, "")
			figures += strings.Count(text, " "+c.style.MassUnit())
			for _, at := range c.wrong.FindAllStringIndex(text, 3) {
				t.Errorf("%s: %s: …%s…", c.name, path, text[max(0, at[0]-40):min(len(text), at[1]+20)])
			}
		})
		if figures < 30 {
			t.Errorf("%s: only %d figures were seen", c.name, figures)
		}
	}
	w.setStyle(t, measure.Style{Mass: "oz", Temperature: "F", Date: "iso"})
	w.setStyle(t, measure.Style{Mass: "g", Temperature: "C", Date: "dmy"})
	after := w.rows(t)
	for table, rows := range before {
		for _, row := range rows {
			if _, same := slices.BinarySearch(after[table], row); !same {
				t.Errorf("%s: %s is no longer what it was", table, row)
				break
			}
		}
	}
}

func (w *walkWorld) setStyle(t *testing.T, style measure.Style) {
	t.Helper()
	session, err := w.store.Session(t.Context(), w.signIn(t, w.full, reader), time.Now())
	walkCheck(t, err)
	now := session.Workshop
	seen := now.Stamp()
	now.Style = style
	walkCheck(t, w.store.SetWorkshop(t.Context(), store.Who{Workshop: w.full, Actor: "system"}, store.Entry{}, now, seen))
}

// measuresTables are those of the book: what the settings themselves, sign-ins and the trail of pages write is no part of it.
func (w *walkWorld) measuresTables(t *testing.T) []string {
	t.Helper()
	rows, err := w.conn.Query(t.Context(), `SELECT c.table_name FROM information_schema.columns c JOIN information_schema.tables x USING (table_schema, table_name)
		WHERE c.table_schema = 'public' AND x.table_type = 'BASE TABLE' AND c.column_name = 'workshop_id' AND c.table_name NOT IN ('session', 'link', 'throttle', 'person', 'chain_head') ORDER BY 1`)
	walkCheck(t, err)
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	walkCheck(t, err)
	if len(tables) < 20 {
		t.Fatalf("only %d tables are compared", len(tables))
	}
	return tables
}

// rows are all rows of the book as text, in order.
func (w *walkWorld) rows(t *testing.T) map[string][]string {
	t.Helper()
	all := map[string][]string{}
	for _, table := range w.measuresTables(t) {
		rows, err := w.conn.Query(t.Context(), `SELECT md5(r::text) FROM `+pgx.Identifier{table}.Sanitize()+` r WHERE workshop_id = $1`, w.full)
		walkCheck(t, err)
		list, err := pgx.CollectRows(rows, pgx.RowTo[string])
		walkCheck(t, err)
		slices.Sort(list)
		all[table] = list
	}
	return all
}

// storedWords takes out of a page what stands in the book as words: names, notes, what was typed, deviations, and what
// a signature was given for.
func (w *walkWorld) storedWords(t *testing.T) *strings.Replacer {
	t.Helper()
	rows, err := w.conn.Query(t.Context(), `SELECT c.table_name, c.column_name FROM information_schema.columns c JOIN information_schema.tables x USING (table_schema, table_name)
		WHERE c.table_schema = 'public' AND x.table_type = 'BASE TABLE' AND c.data_type = 'text' AND c.table_name <> 'audit'
		  AND EXISTS (SELECT FROM information_schema.columns k WHERE k.table_schema = 'public' AND k.table_name = c.table_name AND k.column_name = 'workshop_id')`)
	walkCheck(t, err)
	type column struct{ Table, Name string }
	columns, err := pgx.CollectRows(rows, pgx.RowToStructByPos[column])
	walkCheck(t, err)
	words := map[string]bool{}
	for _, c := range columns {
		rows, err := w.conn.Query(t.Context(), `SELECT DISTINCT `+pgx.Identifier{c.Name}.Sanitize()+` FROM `+pgx.Identifier{c.Table}.Sanitize()+` WHERE workshop_id = $1 AND `+pgx.Identifier{c.Name}.Sanitize()+` ~ '[0-9].*[a-zA-Z°]'`, w.full)
		walkCheck(t, err)
		list, err := pgx.CollectRows(rows, pgx.RowTo[string])
		walkCheck(t, err)
		for _, text := range list {
			words[strings.Join(strings.Fields(text), " ")] = true
		}
	}
	signed, err := w.conn.Query(t.Context(), `SELECT DISTINCT e.value FROM signature s, jsonb_array_elements(s.content::jsonb -> 'conditions') c, jsonb_each_text(c) e WHERE s.workshop_id = $1`, w.full)
	walkCheck(t, err)
	seen, err := pgx.CollectRows(signed, pgx.RowTo[string])
	walkCheck(t, err)
	for _, text := range seen {
		for line := range strings.Lines(text) {
			words[strings.Join(strings.Fields(line), " ")] = true
		}
	}
	var ordered []string
	for text := range words {
		if len(text) > 3 {
			ordered = append(ordered, text)
		}
	}
	slices.SortFunc(ordered, func(a, b string) int { return len(b) - len(a) })
	var pairs []string
	for _, text := range ordered {
		pairs = append(pairs, text, "")
	}
	return strings.NewReplacer(pairs...)
}
