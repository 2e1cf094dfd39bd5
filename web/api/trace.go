package api

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/trace"
)

// traceInput is documented from its tags; a code with a slash is written with %2F.
type traceInput struct {
	Code    string `path:"code" doc:"The code, percent-encoded where it has a slash or the like"`
	Matches string `header:"If-None-Match" doc:"The ETag of an answer that is at hand: 304 where it still holds"`
}

// code is the code asked for; a text that no code can be is simply not in the book.
func (in *traceInput) code() (string, error) {
	if !utf8.ValidString(in.Code) || strings.IndexByte(in.Code, 0) >= 0 {
		return "", fault.New(fault.NotFound, "There is no such code.")
	}
	return in.Code, nil
}

// traces adds the three ways to follow a lot or a batch.
func (s *site) traces() {
	forward := s.bodies("Where it went", s.component(trace.Forward{}))
	backward := s.bodies("What is in it", s.component(trace.Backward{}))
	serve(s, reads, huma.Operation{
		Method: http.MethodGet, Path: "/trace/lots/{code}", OperationID: "trace-lot", Responses: forward(),
		Summary: "Every batch, unit and customer that a material lot reached", Description: "The same as `stillroom trace lot`. JSON, or CSV by `Accept: text/csv`.",
	}, func(c *call, in *traceInput) error {
		code, err := in.code()
		if err != nil {
			return err
		}
		found, err := s.house.Store.TraceLot(c.ctx(), c.bearer.Who.Workshop, code)
		if err != nil {
			return err
		}
		return answerForward(c, found.Forward)
	})
	serve(s, reads, huma.Operation{
		Method: http.MethodGet, Path: "/trace/batches/{code}", OperationID: "trace-batch", Responses: forward(),
		Summary: "The same from one batch on", Description: "The same as `stillroom trace batch`. JSON, or CSV by `Accept: text/csv`.",
	}, func(c *call, in *traceInput) error {
		code, err := in.code()
		if err != nil {
			return err
		}
		found, err := s.house.Store.TraceBatch(c.ctx(), c.bearer.Who.Workshop, code)
		if err != nil {
			return err
		}
		return answerForward(c, found.Forward)
	})
	serve(s, reads, huma.Operation{
		Method: http.MethodGet, Path: "/trace/sources/{code}", OperationID: "trace-sources", Responses: backward(),
		Summary: "Every material lot and source batch in a batch", Description: "The same as `stillroom trace sources`. JSON, or CSV by `Accept: text/csv`.",
	}, func(c *call, in *traceInput) error {
		code, err := in.code()
		if err != nil {
			return err
		}
		found, err := s.house.Store.TraceSources(c.ctx(), c.bearer.Who.Workshop, code)
		if err != nil {
			return err
		}
		return answer(c, found.Backward, func(out *bytes.Buffer) error { return trace.SourcesCSV(out, found.Lines) })
	})
}

func answerForward(c *call, f trace.Forward) error {
	return answer(c, f, func(out *bytes.Buffer) error { return trace.CSV(out, f.Lines) })
}

// answer writes what the command line prints, or that the asker has it already.
func answer(c *call, object any, table func(*bytes.Buffer) error) error {
	var body bytes.Buffer
	media, err := "application/json", error(nil)
	if prefersCSV(all(c.r, "Accept")) {
		media, err = "text/csv; charset=utf-8", table(&body)
	} else {
		e := json.NewEncoder(&body)
		e.SetEscapeHTML(false)
		e.SetIndent("", "  ")
		err = e.Encode(object)
	}
	if err != nil {
		return err
	}
	sum := sha256.Sum256(body.Bytes())
	tag := `"` + hex.EncodeToString(sum[:]) + `"`
	head := c.w.Header()
	head.Set("ETag", tag)
	head.Set("Vary", "Accept, Authorization")
	if matches(all(c.r, "If-None-Match"), tag) {
		c.w.WriteHeader(http.StatusNotModified)
		return nil
	}
	head.Set("Content-Type", media)
	head.Set("Content-Length", strconv.Itoa(body.Len()))
	_, _ = body.WriteTo(c.w) // nobody waits any more where this fails
	return nil
}

// all is a header that may stand in several lines.
func all(r *http.Request, name string) string { return strings.Join(r.Header.Values(name), ",") }

// prefersCSV reads an Accept header (RFC 9110 section 12.5.1): whether it has text/csv, and nothing of JSON's above it.
func prefersCSV(accept string) bool {
	table, object := 0.0, 0.0
	for part := range strings.SplitSeq(accept, ",") {
		media, params, err := mime.ParseMediaType(strings.TrimSpace(part))
		if err != nil {
			continue
		}
		q := 1.0
		if text, ok := params["q"]; ok {
			if q, err = strconv.ParseFloat(text, 64); err != nil {
				continue
			}
		}
		switch media {
		case "text/csv":
			table = max(table, q)
		case "application/json":
			object = max(object, q)
		}
	}
	return table > 0 && table >= object
}

// matches reads If-None-Match (RFC 9110 section 13.1.2).
func matches(header, tag string) bool {
	for part := range strings.SplitSeq(header, ",") {
		part = strings.TrimSpace(part)
		if part == "*" || strings.TrimPrefix(part, "W/") == tag {
			return true
		}
	}
	return false
}
