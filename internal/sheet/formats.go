package sheet

import (
	"encoding/xml"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"
)

// format is what a style shows a number as.
type format struct {
	kind  formatKind
	money string // the mark of a currency before it
	tail  string // shown behind it: " kg"
	scale int    // how often it is shown a thousandfold smaller
}

type formatKind int

const (
	plainNumber formatKind = iota
	percent
	dateFormat
	timeFormat // hours and minutes without a day
)

// readStyles finds which styles show a number as a date.
func (w *workbook) readStyles() error {
	custom, cells := map[int]format{}, false
	return w.each("xl/styles.xml", func(_ *part, e xml.StartElement) error {
		switch e.Name.Local {
		case "numFmt":
			if id, err := strconv.Atoi(attr(e, "numFmtId")); err == nil {
				custom[id] = formatOf(attr(e, "formatCode"))
			}
		case "cellStyleXfs", "cellXfs", "cellStyles", "dxfs":
			cells = e.Name.Local == "cellXfs"
		case "xf":
			if !cells {
				return nil
			}
			id, _ := strconv.Atoi(attr(e, "numFmtId")) // one that is no number is the plain style 0
			f, known := custom[id]
			if !known {
				f.kind = builtIn(id)
			}
			w.formats = append(w.formats, f)
		}
		return nil
	})
}

// builtIn are the formats that a workbook does not spell out (ECMA-376 part 1, 18.8.30, numFmt).
func builtIn(id int) formatKind {
	switch {
	case id == 9 || id == 10:
		return percent
	case id >= 14 && id <= 17, id == 22, id >= 27 && id <= 31, id == 36, id >= 50 && id <= 54, id == 57, id == 58:
		return dateFormat
	case id >= 18 && id <= 21, id >= 32 && id <= 35, id >= 45 && id <= 47, id == 55, id == 56:
		return timeFormat
	}
	return plainNumber
}

// literal is what a format code shows as it stands: quoted and escaped characters, colours, countries; blank is room.
var (
	literal = regexp.MustCompile(`"[^"]*"|\\.|\[[^\]]*\]`)
	blank   = regexp.MustCompile(`[_*].`)
	unquote = regexp.MustCompile(`"([^"]*)"|\\(.)|\[\$([^\]-]*)[^\]]*\]|\[[^\]]*\]`)
)

// formatOf reads the code of a format, by its part for numbers above zero.
func formatOf(code string) format {
	code = blank.ReplaceAllString(code, "")
	signs, _, _ := strings.Cut(strings.ToLower(literal.ReplaceAllString(code, "")), ";")
	switch {
	case signs == "general" || signs == "@":
		return format{}
	case strings.Contains(signs, "%"):
		return format{kind: percent}
	case strings.ContainsAny(signs, "yd"):
		return format{kind: dateFormat}
	case strings.ContainsAny(signs, "hs"):
		return format{kind: timeFormat}
	case strings.Contains(signs, "m"):
		return format{kind: dateFormat}
	}
	// What stands behind the last digit is read by whoever looks at the sheet, so it counts: 0.0" kg".
	var f format
	behind := code
	for _, at := range literal.FindAllStringIndex(code, -1) {
		behind = behind[:at[0]] + strings.Repeat("\x00", at[1]-at[0]) + behind[at[1]:]
	}
	if end := strings.IndexByte(behind, ';'); end >= 0 {
		behind = behind[:end]
	}
	last := strings.LastIndexAny(behind, "0#?")
	if last < 0 {
		return f
	}
	rest := strings.TrimLeft(code[last+1:len(behind)], ",")
	f.scale = len(behind) - last - 1 - len(rest)
	f.tail = strings.TrimSpace(unquote.ReplaceAllString(rest, "$1$2$3"))
	// So is the mark of a currency before it. Other words there are a label.
	before := code[:strings.IndexAny(behind, "0#?")]
	if mark, more := takeMoney(strings.TrimSpace(unquote.ReplaceAllString(before, "$1$2$3"))); more == "" {
		f.money = mark
	}
	return f
}

// number reads a number of a workbook in the style of its cell. A workbook keeps binary fractions with more digits than
// it shows: fifteen of them are exact.
func (w *workbook) number(text string, style int) Cell {
	f, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(f, 0) || math.IsNaN(f) {
		return Cell{Text: text, Wrong: fmt.Sprintf("%q is no number", clip(text))}
	}
	var shown format
	if style >= 0 && style < len(w.formats) {
		shown = w.formats[style]
		switch shown.kind {
		case dateFormat:
			return w.date(f)
		case timeFormat:
			if f >= 0 && f < 1 {
				return Cell{Text: time.Time{}.Add(time.Duration(math.Round(f*86400)) * time.Second).Format("15:04:05")}
			}
			return w.date(f)
		}
	}
	d, err := decimal.NewFromString(strconv.FormatFloat(f, 'g', 15, 64))
	if err != nil || d.Exponent() < -60 || d.Exponent() > 60 {
		return Cell{Text: text, Wrong: fmt.Sprintf("%q is larger or finer than a book keeps", clip(text))}
	}
	switch {
	case shown.kind == percent:
		return Cell{Text: d.Shift(2).String() + "%", Kind: Number}
	case shown.tail != "":
		d = d.Shift(int32(-3 * shown.scale))
	}
	return Cell{Text: strings.TrimSpace(shown.money + " " + d.String() + " " + shown.tail), Kind: Number}
}

// date counts days as a workbook does: from 1900 with a 29 February that was none, or from 1904 (ECMA-376 part 1,
// 18.17.4.1).
func (w *workbook) date(serial float64) Cell {
	const last = 2958466 // the day after 31 December 9999
	zero := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	switch {
	case w.from1904:
		zero = time.Date(1904, 1, 1, 0, 0, 0, 0, time.UTC)
	case serial >= 60 && serial < 61:
		return Cell{Text: "1900-02-29", Wrong: "29 February 1900: there is no such day"}
	case serial < 60:
		serial++
	}
	if serial < 0 || serial >= last {
		return Cell{Text: fmt.Sprint(serial), Wrong: "it is shown as a date, and there is no such day"}
	}
	whole, part := math.Modf(serial)
	at := zero.AddDate(0, 0, int(whole)).Add(time.Duration(math.Round(part*86400)) * time.Second)
	if at.Hour() == 0 && at.Minute() == 0 && at.Second() == 0 {
		return Cell{Text: at.Format("2006-01-02"), Kind: Day}
	}
	return Cell{Text: at.Format("2006-01-02 15:04:05"), Kind: Day}
}

// clip keeps messages short whatever a cell holds.
func clip(text string) string {
	if r := []rune(text); len(r) > 60 {
		return string(r[:60]) + "..."
	}
	return text
}
