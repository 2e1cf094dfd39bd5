package api

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/epcis"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// epcisInput is documented from its tags. perPage and nextPageToken are called so by the standard's own REST binding, and the
// page is as long as there where nobody says otherwise.
type epcisInput struct {
	Lot           string `query:"lot" doc:"Code of a material lot: where it went"`
	Batch         string `query:"batch" doc:"Code of a batch or one of its packings: what is in it, and where it went"`
	Recall        string `query:"recall" pattern:"^([Dd]?[Rr]-)?[0-9]{1,9}$" doc:"Number of a recall or a drill, such as R-12: its scope as it was frozen"`
	From          string `query:"from" format:"date" doc:"Events of this day and later"`
	To            string `query:"to" format:"date" doc:"Events of this day and earlier"`
	PerPage       string `query:"perPage" pattern:"^[0-9]{1,4}$" doc:"With from or to: how many events at most, between 1 and 1000; 30 where it is not said"`
	NextPageToken string `query:"nextPageToken" doc:"With from or to: where the next page begins, from the Link of the page before"`
}

const epcisPerPage = 30

// events adds the book as EPCIS 2.0.
func (s *site) events() {
	document := s.named("EPCISDocument", &huma.Schema{
		Type: huma.TypeObject, Required: []string{"@context", "type", "schemaVersion", "creationDate", "epcisBody"},
		Description: "A document as the JSON schema of GS1 EPCIS 2.0 describes it.",
		Properties: map[string]*huma.Schema{
			"@context":      {Type: huma.TypeArray, Items: &huma.Schema{Type: huma.TypeString, Format: "uri"}},
			"type":          {Type: huma.TypeString, Enum: []any{"EPCISDocument"}},
			"schemaVersion": {Type: huma.TypeString},
			"creationDate":  {Type: huma.TypeString, Format: "date-time"},
			"epcisBody": {Type: huma.TypeObject, Required: []string{"eventList"}, Properties: map[string]*huma.Schema{
				"eventList": {Type: huma.TypeArray, Items: &huma.Schema{Type: huma.TypeObject, Required: []string{"type", "eventID", "eventTime", "eventTimeZoneOffset"}}},
			}},
		},
	})
	serve(s, reads, huma.Operation{
		Method: http.MethodGet, Path: "/epcis", OperationID: "epcis",
		Summary: "Traceability events as EPCIS 2.0 (GS1)",
		Description: "An EPCISDocument in JSON-LD of one lot, one batch or one recall, or a page of the events of some days. A lot is of the day it came; what went into a batch, " +
			"and the room's readings for it, of the day it was begun; packaging of the day of packing. Customers and suppliers are ids without names.",
		Responses: map[string]*huma.Response{
			"200": {Description: "The events", Content: map[string]*huma.MediaType{epcis.MediaType: {Schema: document}}, Headers: map[string]*huma.Param{
				"Link":              {Description: `Where another page follows: its address, with rel="next"`, Schema: &huma.Schema{Type: huma.TypeString}},
				"GS1-EPCIS-Version": {Description: "Of the standard", Required: true, Schema: &huma.Schema{Type: huma.TypeString}},
				"GS1-CBV-Version":   {Description: "Of its vocabulary", Required: true, Schema: &huma.Schema{Type: huma.TypeString}},
			}},
			"404": s.refusal(http.StatusNotFound),
			"422": s.refusal(http.StatusUnprocessableEntity),
		},
	}, s.epcis)
}

// epcisWanted is what was asked for: one of a start, a recall, or days.
type epcisWanted struct {
	start  store.TraceStart
	recall int
	days   *store.EPCISDays
}

func (in *epcisInput) wanted() (epcisWanted, error) {
	var f fault.Fields
	var w epcisWanted
	asked := 0
	for name, text := range map[string]string{"lot": in.Lot, "batch": in.Batch} {
		if text == "" {
			continue
		}
		asked++
		w.start = store.TraceStart{Kind: name, Code: text}
		if !utf8.ValidString(text) || strings.IndexByte(text, 0) >= 0 {
			return w, fault.New(fault.NotFound, "There is no such code.")
		}
	}
	if in.Recall != "" {
		asked++
		digits := strings.TrimPrefix(strings.TrimPrefix(strings.ToUpper(in.Recall), "D"), "R-")
		n, err := strconv.ParseUint(digits, 10, 31)
		if err != nil || n == 0 {
			f.Add("recall", "is the number of a recall, such as R-12")
		}
		w.recall = int(n)
	}
	if in.From != "" || in.To != "" {
		asked++
		w.days = in.days(&f)
	} else if in.PerPage != "" || in.NextPageToken != "" {
		f.Add("perPage", "and nextPageToken go with from or to; a document of one lot, batch or recall is not cut")
	}
	if asked != 1 {
		f.Add("lot", "or batch, or recall, or from and to: ask for one of them")
	}
	return w, f.Err()
}

func (in *epcisInput) days(f *fault.Fields) *store.EPCISDays {
	days := &store.EPCISDays{PerPage: epcisPerPage, Token: in.NextPageToken}
	for _, d := range []struct {
		name, text string
		to         *day.Day
	}{{"from", in.From, &days.From}, {"to", in.To, &days.To}} {
		var err error
		if d.text != "" {
			if *d.to, err = day.Parse(d.text); err != nil {
				f.Add(d.name, "is a day such as 2026-04-30")
			}
		}
	}
	if !days.From.IsZero() && !days.To.IsZero() && days.To.Before(days.From) {
		f.Add("to", "is before from")
	}
	if in.PerPage != "" {
		n, err := strconv.Atoi(in.PerPage)
		if err != nil || n < 1 || n > store.EPCISPageMost {
			f.Add("perPage", fmt.Sprintf("is a number between 1 and %d", store.EPCISPageMost))
		}
		days.PerPage = n
	}
	return days
}

// epcis goes by way of a temporary file, as an export does: what could not be finished is never sent as if it were whole.
func (s *site) epcis(c *call, in *epcisInput) error {
	wanted, err := in.wanted()
	if err != nil {
		return err
	}
	file, err := os.CreateTemp("", "stillroom-epcis-*")
	if err != nil {
		return fmt.Errorf("epcis: %w", err)
	}
	defer func() {
		_ = file.Close()
		_ = os.Remove(file.Name())
	}()
	_ = http.NewResponseController(c.w).SetWriteDeadline(wallClock().Add(workMost)) // a server without deadlines has none to move
	next, err := s.writeEPCIS(c, wanted, s.house.Clock(), file)
	if err != nil {
		return err
	}
	size, err := file.Seek(0, io.SeekEnd)
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	if err != nil {
		return fmt.Errorf("epcis: %w", err)
	}
	s.house.Log.Info("export", "what", "EPCIS", "token", c.bearer.Who.Name, "request", requestID(c.r))
	head := c.w.Header()
	if next != "" {
		query := url.Values{"perPage": {strconv.Itoa(wanted.days.PerPage)}, "nextPageToken": {next}}
		for name, text := range map[string]string{"from": in.From, "to": in.To} {
			if text != "" {
				query.Set(name, text)
			}
		}
		head.Set("Link", "<"+Root+"/epcis?"+query.Encode()+`>; rel="next"`)
	}
	head.Set("Content-Type", epcis.MediaType)
	head.Set("Content-Length", strconv.FormatInt(size, 10))
	head.Set("GS1-EPCIS-Version", epcis.Version)
	head.Set("GS1-CBV-Version", epcis.Version)
	if _, err := io.Copy(c.patient(nil), file); err != nil {
		s.house.Log.Info("EPCIS not taken", "error", err.Error(), "request", requestID(c.r))
	}
	return nil
}

func (s *site) writeEPCIS(c *call, w epcisWanted, at time.Time, out io.Writer) (next string, err error) {
	shop := c.bearer.Who.Workshop
	switch {
	case w.days != nil:
		return s.house.Store.EPCISPage(c.ctx(), shop, *w.days, at, out)
	case w.recall > 0:
		return "", s.house.Store.EPCISOfRecall(c.ctx(), shop, w.recall, at, out)
	}
	return "", s.house.Store.EPCISOf(c.ctx(), shop, w.start, at, out)
}
