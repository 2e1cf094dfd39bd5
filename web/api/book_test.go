package api_test

import (
	"archive/zip"
	"bytes"
	"maps"
	"net/http"
	"strings"
	"testing"

	"example.org/stillroom/internal/store"
)

func zipped(t *testing.T, files map[string]string) string {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, text := range files {
		w, err := z.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func unzipped(t *testing.T, body string) map[string]string {
	t.Helper()
	z, err := zip.NewReader(strings.NewReader(body), int64(len(body)))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{}
	for _, f := range z.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if _, err := b.ReadFrom(in); err != nil {
			t.Fatal(err)
		}
		in.Close()
		files[f.Name] = b.String()
	}
	return files
}

func TestABookComesInAndGoesOutAgain(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	suppliers := "code,name,email,phone,address\nBRACKEN,Bracken & Fenn,,,\n"
	lots := "code,material,supplier,supplier_lot,received_on,expires_on,quantity,unit_cost,status,retest_on\nOO-1,OO,BRACKEN,K 12,2026-01-02,,5000,,released,\n"
	materials := "code,name,kind,unit,inci_name,cas_number,density_g_per_ml,tracked\nOO,Oat oil,raw,g,,,,true\n"
	send := func(kind, query, body string) reply {
		return c.ask(question{method: "POST", path: "/api/v1/import" + query, token: c.token, head: map[string]string{"Content-Type": kind}, body: body})
	}
	all := zipped(t, map[string]string{"suppliers.csv": suppliers, "book/materials.csv": materials, "material_lots.csv": lots})

	a := send("application/zip", "?preview=true", all).want("a preview", http.StatusOK)
	if !strings.Contains(a.body, `"saved": false`) || !strings.Contains(a.body, `"new": 1`) {
		t.Errorf("a preview: %s", a.body)
	}
	a = send("text/csv", "?table=material_lots", lots).want("lots of a material that was only previewed", http.StatusUnprocessableEntity)
	if p := a.problem(); p.at() != "material_lots.csv:2: material material_lots.csv:2: supplier" {
		t.Errorf("at %q", p.at())
	}
	a = send("application/zip", "", all).want("an import", http.StatusOK)
	if !strings.Contains(a.body, `"saved": true`) {
		t.Errorf("an import: %s", a.body)
	}
	a = send("application/zip", "", all).want("the same again", http.StatusOK)
	if !strings.Contains(a.body, `"saved": false`) || !strings.Contains(a.body, `"same": 1`) {
		t.Errorf("the same again: %s", a.body)
	}
	other := strings.Replace(suppliers, "Bracken &", "Bracken and", 1)
	send("text/csv", "?table=suppliers", other).want("a conflict", http.StatusUnprocessableEntity)
	send("text/csv", "?table=suppliers&update=true", other).want("an update", http.StatusOK)
	if broken, err := store.Verify(t.Context(), c.DB.OwnerURL); err != nil || len(broken[0].Broken) > 0 {
		t.Errorf("verify: %v %v", broken, err)
	}

	out := c.ask(question{path: "/api/v1/export", token: c.readOnly}).want("an export", http.StatusOK)
	files := unzipped(t, out.body)
	if !strings.Contains(files["book/supplier.csv"], "Bracken and") {
		t.Errorf("the folder book/ has suppliers %q", files["book/supplier.csv"])
	}
	maps.DeleteFunc(files, func(name, _ string) bool { return strings.HasPrefix(name, "book/") })
	if files["suppliers.csv"] != other || files["material_lots.csv"] != lots || files["materials.csv"] != materials || len(files) != 16 {
		t.Errorf("exported %d files: %q", len(files), files)
	}

	for name, tt := range map[string]struct {
		kind, query, body string
		status            int
	}{
		"no table named":        {"text/csv", "", suppliers, http.StatusUnprocessableEntity},
		"no such table":         {"text/csv", "?table=recipes", suppliers, http.StatusUnprocessableEntity},
		"a zip that is none":    {"application/zip", "", "PK not", http.StatusUnprocessableEntity},
		"a zip cut short":       {"application/zip", "", all[:len(all)/2], http.StatusUnprocessableEntity},
		"a path out of the zip": {"application/zip", "", zipped(t, map[string]string{"../suppliers.csv": suppliers}), http.StatusUnprocessableEntity},
		"JSON":                  {"application/json", "", "{}", http.StatusUnsupportedMediaType},
		"a word for a flag":     {"application/zip", "?update=yes", all, http.StatusUnprocessableEntity},
		"a bomb":                {"application/zip", "", zipped(t, map[string]string{"suppliers.csv": "code,name\n" + strings.Repeat("a", 64<<20)}), http.StatusUnprocessableEntity},
	} {
		send(tt.kind, tt.query, tt.body).want(name, tt.status)
	}
	// One byte of what is packed turned: the sum no longer fits.
	bad := []byte(all)
	bad[bytes.Index(bad, []byte("material_lots.csv"))+len("material_lots.csv")+20] ^= 0xff
	send("application/zip", "", string(bad)).want("a damaged entry", http.StatusUnprocessableEntity)
}
