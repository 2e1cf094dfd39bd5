package api

import (
	"net/http"
	"reflect"
	"strconv"

	"github.com/danielgtaylor/huma/v2"
)

const about = `The batch book of a workshop, for programs: traces, import, export and readings of a room's logger.

A token is made by an owner under Settings, Tokens, or with ` + "`stillroom token create NAME`" + `. It is shown once and sent as ` +
	"`Authorization: Bearer TOKEN`" + `. A read-only one traces and exports; one without that limit also stores.`

// config is huma without pages, schema links or other formats than JSON: this package serves its description itself.
func config() huma.Config {
	return huma.Config{
		OpenAPI: &huma.OpenAPI{
			OpenAPI: "3.1.0",
			Info:    &huma.Info{Title: "Stillroom", Version: "1", Description: about},
			Servers: []*huma.Server{{URL: Root}},
			Components: &huma.Components{
				Schemas:         huma.NewMapRegistry("#/components/schemas/", huma.DefaultSchemaNamer),
				SecuritySchemes: map[string]*huma.SecurityScheme{"token": {Type: "http", Scheme: "bearer"}},
			},
		},
		Formats:       map[string]huma.Format{"application/json": huma.DefaultJSONFormat},
		DefaultFormat: "application/json",
	}
}

func (s *site) registry() huma.Registry { return s.api.OpenAPI().Components.Schemas }

// component describes a Go type under its name.
func (s *site) component(of any) *huma.Schema {
	t := reflect.TypeOf(of)
	return s.registry().Schema(t, true, t.Name())
}

// named describes what no Go type does.
func (s *site) named(name string, schema *huma.Schema) *huma.Schema {
	s.registry().Map()[name] = schema
	return &huma.Schema{Ref: "#/components/schemas/" + name}
}

// refusal describes a problem document of a status.
func (s *site) refusal(status int) *huma.Response {
	r := &huma.Response{
		Description: http.StatusText(status),
		Content:     map[string]*huma.MediaType{"application/problem+json": {Schema: s.component(Problem{})}},
	}
	header := func(name, about string) {
		r.Headers = map[string]*huma.Param{name: {Description: about, Required: true, Schema: &huma.Schema{Type: huma.TypeString}}}
	}
	switch status {
	case http.StatusUnauthorized:
		header("WWW-Authenticate", "Bearer")
	case http.StatusTooManyRequests, http.StatusServiceUnavailable:
		header("Retry-After", "Seconds to wait")
	}
	return r
}

// bodies describes the two forms of a trace, anew for each operation.
func (s *site) bodies(about string, object *huma.Schema) func() map[string]*huma.Response {
	return func() map[string]*huma.Response {
		tag := map[string]*huma.Param{"ETag": {Description: "Names this content", Required: true, Schema: &huma.Schema{Type: huma.TypeString}}}
		return map[string]*huma.Response{
			"200": {Description: about, Headers: tag, Content: map[string]*huma.MediaType{
				"application/json": {Schema: object},
				"text/csv":         {Schema: &huma.Schema{Type: huma.TypeString}},
			}},
			"304": {Description: "What you have still holds", Headers: tag},
			"404": s.refusal(http.StatusNotFound),
		}
	}
}

// document adds the refusals that every operation of a kind may answer.
func (s *site) document(op *huma.Operation, of kind) {
	statuses := []int{http.StatusUnauthorized, http.StatusTooManyRequests, http.StatusInternalServerError, http.StatusServiceUnavailable}
	if of == writes {
		statuses = append(statuses, http.StatusBadRequest, http.StatusForbidden, http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType, http.StatusUnprocessableEntity)
	}
	for _, status := range statuses {
		op.Responses[strconv.Itoa(status)] = s.refusal(status)
	}
}

// tidy makes the description say what is sent, where Go's types alone say something else.
func (s *site) tidy() {
	schemas := s.registry().Map()
	delete(schemas, "ErrorModel") // huma's own errors are never sent
	delete(schemas, "ErrorDetail")
	schemas["SourceLine"].Properties["quantity"] = &huma.Schema{Type: huma.TypeNumber, Description: "Every digit is sent"}
	for _, schema := range schemas {
		for _, p := range schema.Properties {
			if p.Type == huma.TypeArray {
				p.Nullable = false // an empty list is []
			}
		}
	}
	oapi := s.api.OpenAPI()
	oapi.Paths["/openapi.json"] = &huma.PathItem{Get: &huma.Operation{
		OperationID: "description", Summary: "This description", Description: "The one address that needs no token.",
		Responses: map[string]*huma.Response{"200": {Description: "OpenAPI 3.1", Content: map[string]*huma.MediaType{
			"application/json": {Schema: &huma.Schema{Type: huma.TypeObject}},
		}}},
	}}
}
