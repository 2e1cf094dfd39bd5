package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The house rules that no compiler knows, held over the repository as it is. Each rule is a function of one file's
// path and text, so that the tests below can also show what it catches.

const module = "example.org/stillroom"

// root is the repository, seen from this package's folder, where tests run.
const root = "../.."

// impure are the folders of internal/ that are no rule packages; every other one is.
var impure = []string{"store", "pgprivate", "pgtest", "chrome", "demo", "mail"}

// pure is what a rule package may import besides rule packages: nothing that reads a clock, a file, the network, the
// environment or a database.
var pure = []string{
	"archive/zip", // over bytes that are there, see impureUses
	"bufio", "bytes", "cmp", "compress/flate", "embed", "errors", "fmt", "io", "iter", "maps", "math", "math/big", "math/bits", "path", "regexp", "slices",
	"sort", "strconv", "strings", "time", "unicode", "unicode/utf16", "unicode/utf8",
	"crypto/hmac", "crypto/sha256", "crypto/subtle", "hash",
	"encoding", "encoding/base64", "encoding/binary", "encoding/csv", "encoding/hex", "encoding/json", "encoding/xml",
	"database/sql/driver", // for driver.Value and driver.Valuer only, see impureUses
	"github.com/google/uuid",
	"github.com/shopspring/decimal",
	"golang.org/x/crypto/argon2",
	"golang.org/x/text/encoding/charmap", "golang.org/x/text/unicode/norm",
}

// never is what a rule package may not reach through any number of imports. Direct imports alone are held to pure,
// since google/uuid itself pulls in net and database/sql/driver.
var never = []string{
	"net/http", "github.com/jackc/pgx", "github.com/a-h/templ", module + "/internal/store", module + "/web",
}

// layout is what the top of the repository holds.
var layout = []string{
	".ci", ".dockerignore", ".git", ".gitattributes", ".gitignore", "DEVELOPERS.md", "Dockerfile", "README.md", "cmd",
	"compose.yaml", "go.mod", "go.sum", "internal", "migrations", "static", "testdata", "web",
}

// file is a source file of the repository.
type file struct {
	path string // slashed, from the root
	text string
}

func (f file) test() bool { return strings.HasSuffix(f.path, "_test.go") || f.under("web/webtest") }

// under tells whether the file lies in one of the folders, or below.
func (f file) under(folders ...string) bool {
	return slices.ContainsFunc(folders, func(folder string) bool { return strings.HasPrefix(f.path, folder+"/") })
}

// rule tells whether the file belongs to a rule package.
func (f file) rule() bool {
	rest, inside := strings.CutPrefix(f.path, "internal/")
	top, _, deep := strings.Cut(rest, "/")
	return inside && deep && !slices.Contains(impure, top)
}

// files reads every file with the ending in folders of the repository, and fails where there is none: a rule that
// looked at nothing would hold whatever the code does.
func files(t *testing.T, ending string, folders ...string) []file {
	t.Helper()
	var list []file
	for _, folder := range folders {
		err := filepath.WalkDir(filepath.Join(root, folder), func(name string, entry fs.DirEntry, err error) error {
			if err != nil || entry.IsDir() || !strings.HasSuffix(name, ending) {
				return err
			}
			text, err := os.ReadFile(name)
			if err != nil {
				return err
			}
			rel, err := filepath.Rel(root, name)
			list = append(list, file{filepath.ToSlash(rel), string(text)})
			return err
		})
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			t.Fatal(err)
		}
	}
	if len(list) == 0 {
		t.Fatalf("no %s file in %s: the rule has nothing to hold", ending, strings.Join(folders, ", "))
	}
	return list
}

// hold fails with every finding of a rule over the files.
func hold(t *testing.T, list []file, rule func(file) []string) {
	t.Helper()
	for _, f := range list {
		for _, finding := range rule(f) {
			t.Errorf("%s: %s", f.path, finding)
		}
	}
}

// source parses a Go file; what cannot be parsed is a finding of the compiler's, so it is only reported here.
func source(f file) (*ast.File, *token.FileSet, error) {
	set := token.NewFileSet()
	tree, err := parser.ParseFile(set, f.path, f.text, parser.SkipObjectResolution)
	return tree, set, err
}

func imports(tree *ast.File) []string {
	var list []string
	for _, spec := range tree.Imports {
		if name, err := strconv.Unquote(spec.Path.Value); err == nil {
			list = append(list, name)
		}
	}
	return list
}

// localName is the name by which a file calls a package, empty where it does not import it.
func localName(tree *ast.File, pkg string) string {
	for _, spec := range tree.Imports {
		if spec.Path.Value == strconv.Quote(pkg) {
			if spec.Name != nil {
				return spec.Name.Name
			}
			return path.Base(pkg)
		}
	}
	return ""
}

func inside(pkg, folder string) bool { return pkg == folder || strings.HasPrefix(pkg, folder+"/") }

// --- Rule packages are pure.

func impureImports(f file) []string {
	if !f.rule() || f.test() {
		return nil
	}
	tree, _, err := source(f)
	if err != nil {
		return []string{err.Error()}
	}
	var found []string
	for _, pkg := range imports(tree) {
		own, isOwn := strings.CutPrefix(pkg, module+"/")
		switch {
		case isOwn && (file{path: own + "/x.go"}).rule():
		case slices.Contains(pure, pkg), inside(pkg, "golang.org/x/text"):
		default:
			found = append(found, fmt.Sprintf("imports %s: a rule package computes from its arguments alone, so that page, "+
				"API and report say the same and a test needs no set-up; take the value as an argument", pkg))
		}
	}
	return append(found, impureUses(tree)...)
}

// filesOpened finds where a zip is opened by a name instead of read from bytes.
func filesOpened(tree *ast.File) (found []string) {
	name := localName(tree, "archive/zip")
	ast.Inspect(tree, func(node ast.Node) bool {
		if sel, ok := node.(*ast.SelectorExpr); ok && name != "" {
			if x, ok := sel.X.(*ast.Ident); ok && x.Name == name && sel.Sel.Name == "OpenReader" {
				found = append(found, "uses zip.OpenReader: a rule reads no file")
			}
		}
		return true
	})
	return found
}

// impureUses finds the use of a package that is allowed for one part only.
func impureUses(tree *ast.File) []string {
	found := filesOpened(tree)
	name := localName(tree, "database/sql/driver")
	if name == "" {
		return found
	}
	ast.Inspect(tree, func(node ast.Node) bool {
		sel, ok := node.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if x, ok := sel.X.(*ast.Ident); ok && x.Name == name && sel.Sel.Name != "Value" && sel.Sel.Name != "Valuer" {
			found = append(found, fmt.Sprintf("uses driver.%s: a rule's type may say how it is stored, and no more", sel.Sel.Name))
		}
		return true
	})
	return found
}

func TestRulePackagesImportOnlyWhatIsPure(t *testing.T) {
	t.Parallel()
	list := slices.DeleteFunc(files(t, ".go", "internal"), func(f file) bool { return !f.rule() })
	if len(list) == 0 {
		t.Fatal("no rule package found")
	}
	hold(t, list, impureImports)
}

func TestRulePackagesReachNoServerDatabaseOrPage(t *testing.T) {
	t.Parallel()
	list := slices.DeleteFunc(files(t, ".go", "internal"), func(f file) bool { return !f.rule() || f.test() })
	args := []string{"list", "-json=ImportPath,Deps"}
	for _, f := range list {
		args = append(args, "./"+path.Dir(f.path))
	}
	slices.Sort(args[2:])
	args = slices.Compact(args)
	command := exec.Command("go", args...)
	command.Dir = root
	var complaint bytes.Buffer
	command.Stderr = &complaint
	out, err := command.Output()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, complaint.String())
	}
	seen := 0
	for reader := json.NewDecoder(bytes.NewReader(out)); ; {
		var pkg struct {
			ImportPath string
			Deps       []string
		}
		err := reader.Decode(&pkg)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		seen++
		for _, reached := range reaches(pkg.Deps) {
			t.Errorf("%s reaches %s: dependencies run one way, cmd → web → store → rules", pkg.ImportPath, reached)
		}
	}
	if seen != len(args)-2 {
		t.Errorf("go list told of %d packages, want %d", seen, len(args)-2)
	}
}

func reaches(deps []string) []string {
	var found []string
	for _, dep := range deps {
		if slices.ContainsFunc(never, func(pkg string) bool { return inside(dep, pkg) }) {
			found = append(found, dep)
		}
	}
	return found
}

// --- Dependencies run one way: cmd → web → store → rules; areas of the web do not know each other.

func againstTheStream(f file) []string {
	tree, _, err := source(f)
	if err != nil {
		return []string{err.Error()}
	}
	var found []string
	area := webArea(f.path)
	for _, pkg := range imports(tree) {
		own, isOwn := strings.CutPrefix(pkg, module+"/")
		if !isOwn {
			continue
		}
		other := webArea(own + "/x.go")
		switch {
		case inside(own, "cmd"):
			found = append(found, "imports "+pkg+": cmd is wiring, nothing builds on it")
		case !f.test() && (inside(own, "internal/pgtest") || inside(own, "internal/chrome") || own == "web/webtest") && !f.under("cmd/check", "internal"):
			found = append(found, "imports "+pkg+": it is for tests only")
		case f.under("internal", "migrations", "static") && !f.test() && inside(own, "web"):
			found = append(found, "imports "+pkg+": pages build on the store and the rules, never the other way round")
		case area == "" || other == area || other == "ui" || other == "paths":
		case f.test() && (own == "web" || own == "web/webtest"): // a page's test goes through the real router
		case inside(own, "web"):
			found = append(found, "imports "+pkg+": areas of the web never import each other; what two of them share "+
				"belongs into web/ui, web/paths or a rule")
		case inside(own, "migrations"):
			found = append(found, "imports "+pkg+": the schema is the store's alone")
		}
	}
	return found
}

// webArea is "bench" for web/bench/… and empty for what is in no area.
func webArea(name string) string {
	rest, inWeb := strings.CutPrefix(name, "web/")
	area, _, deep := strings.Cut(rest, "/")
	if !inWeb || !deep {
		return ""
	}
	return area
}

func TestDependenciesRunOneWay(t *testing.T) {
	t.Parallel()
	hold(t, files(t, ".go", "cmd", "internal", "migrations", "static", "web"), againstTheStream)
}

// --- SQL stands in the store only.

// statements are shapes of SQL that no sentence for people has: all in capitals, or a whole statement in lower case.
var statements = regexp.MustCompile(`\bSELECT\s[^;]*\bFROM\s+\w|\bSELECT\s+\w+\(|\bINSERT\s+INTO\s+\w|\bUPDATE\s+\w+(\s+\w+)?\s+SET\s` +
	`|\bDELETE\s+FROM\s+\w|\b(CREATE|ALTER|DROP)\s+(TABLE|INDEX|ROLE|DATABASE|SCHEMA|VIEW|FUNCTION|TRIGGER|POLICY|TYPE)\s` +
	`|\bTRUNCATE\s+\w|\bWITH\s+RECURSIVE\s|\b(GRANT|REVOKE)\s+\w+.*\s(TO|FROM)\s|\bWHERE\s+[\w.]+\s*(=|IN|IS|<|>)` +
	`|(?i:\bwhere\s+[\w.]+\s*=\s*(any\()?\$\d)` +
	`|(?s:^\s*(with\s+(recursive\s+)?\w+\s+as\s*\(.*)?select\s+[\w.*,'"() ]+\s+from\s+\w)` +
	`|^\s*insert\s+into\s+\w+|^\s*update\s+\w+(\s+\w+)?\s+set\s+\w+\s*=|^\s*delete\s+from\s+\w+(\s+where\s|\s*;?\s*$)` +
	`|^\s*(create|alter|drop)\s+(table|index|role|database|schema|view|function|trigger|policy|type)\s` +
	`|^\s*select\s+\w+\(|^\s*select\s+\d+\s*;?\s*$`)

func straySQL(f file) []string {
	if f.test() || f.under("internal/store", "internal/pgprivate", "internal/pgtest", "migrations") {
		return nil
	}
	tree, set, err := source(f)
	if err != nil {
		return []string{err.Error()}
	}
	var found []string
	for _, pkg := range imports(tree) {
		if inside(pkg, "database/sql") && pkg != "database/sql/driver" || inside(pkg, "github.com/jackc/pgx") {
			found = append(found, "imports "+pkg+": the database is reached through internal/store only")
		}
	}
	ast.Inspect(tree, func(node ast.Node) bool {
		lit, ok := node.(*ast.BasicLit)
		if !ok || lit.Kind != token.STRING {
			return true
		}
		text, err := strconv.Unquote(lit.Value)
		if err == nil && statements.MatchString(text) {
			found = append(found, fmt.Sprintf("line %d: SQL belongs into internal/store, where a transaction and the workshop's "+
				"wall are around it: %.60q", set.Position(lit.Pos()).Line, text))
		}
		return true
	})
	return found
}

func TestSQLStandsInTheStoreOnly(t *testing.T) {
	t.Parallel()
	hold(t, files(t, ".go", "cmd", "internal", "static", "web"), straySQL)
}

// --- Time is an argument.

// clockReads are the functions of package time that look at the clock.
var clockReads = []string{"Now", "Since", "Until"}

func readsClock(f file) []string {
	if f.test() || !f.rule() && !f.under("internal/store", "web") {
		return nil
	}
	tree, set, err := source(f)
	if err != nil {
		return []string{err.Error()}
	}
	name := localName(tree, "time")
	if name == "" {
		return nil
	}
	allowed := clockMakers(tree)
	var found []string
	ast.Inspect(tree, func(node ast.Node) bool {
		if slices.Contains(allowed, node) {
			return false
		}
		sel, ok := node.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if x, ok := sel.X.(*ast.Ident); ok && x.Name == name && slices.Contains(clockReads, sel.Sel.Name) {
			found = append(found, fmt.Sprintf("line %d: time.%s: time is an argument, so that tests have a fixed instant and an "+
				"entry has one moment; use the Clock that was passed in", set.Position(sel.Pos()).Line, sel.Sel.Name))
		}
		return true
	})
	return found
}

// clockMakers are the places in a file where a Clock is made, so that the clock may be named: a function or method
// called …Clock… or of a type …Clock…, a conversion Clock(…), and a field Clock: ….
func clockMakers(tree *ast.File) []ast.Node {
	if name := localName(tree, "time"); name == "" {
		return nil
	}
	named := func(node ast.Expr) bool {
		switch x := node.(type) {
		case *ast.Ident:
			return strings.Contains(x.Name, "Clock") || strings.Contains(x.Name, "clock")
		case *ast.SelectorExpr:
			return strings.Contains(x.Sel.Name, "Clock")
		}
		return false
	}
	var list []ast.Node
	ast.Inspect(tree, func(node ast.Node) bool {
		switch x := node.(type) {
		case *ast.FuncDecl:
			if named(x.Name) {
				list = append(list, x)
			}
			if x.Recv != nil && len(x.Recv.List) == 1 {
				of := x.Recv.List[0].Type
				if star, ok := of.(*ast.StarExpr); ok {
					of = star.X
				}
				if named(of) {
					list = append(list, x)
				}
			}
		case *ast.KeyValueExpr:
			if named(x.Key) {
				list = append(list, x)
			}
		case *ast.CallExpr:
			if named(x.Fun) {
				list = append(list, x)
			}
		}
		return true
	})
	return list
}

func TestTimeIsAnArgument(t *testing.T) {
	t.Parallel()
	hold(t, files(t, ".go", "internal", "web"), readsClock)
}

// --- No inline style or script in a page: the Content-Security-Policy refuses them, so they would only seem to work.

var inline = []struct {
	shape *regexp.Regexp
	why   string
}{
	{regexp.MustCompile(`(?i)[\s"'}]style\??\s*=[^=]`), "style= is refused by the Content-Security-Policy; use a class"},
	{regexp.MustCompile(`(?i)[\s"'}]on[a-z]+\??=[^=]`), "on…= is refused by the Content-Security-Policy; listen in an ES module"},
	{regexp.MustCompile(`(?i)<style\b`), "<style> is refused by the Content-Security-Policy; write it into static/"},
	{regexp.MustCompile(`(?m)^\s*(script|css)\s+\w+\s*\(`), "templ's script and css blocks are inline; write them into static/"},
	{
		regexp.MustCompile(`\btempl\.(JSFuncCall|JSUnsafeFuncCall|JSONScript|ComponentScript|NewCSSMiddleware)\b`),
		"makes an inline script or style; write it into static/",
	},
	{
		regexp.MustCompile(`"(style|on(abort|blur|change|click|dblclick|error|focus|input|key\w+|load|mouse\w+|pointer\w+|submit|touch\w+))"\s*:`),
		"an attribute of that name is refused by the Content-Security-Policy",
	},
}

var scriptTag = regexp.MustCompile(`(?is)<script\b[^>]*>`)

var scriptSource = regexp.MustCompile(`(?i)\ssrc\s*=`)

func inlineInPage(f file) []string {
	var found []string
	line := func(at int) int { return 1 + strings.Count(f.text[:at], "\n") }
	for _, rule := range inline {
		for _, at := range rule.shape.FindAllStringIndex(f.text, -1) {
			found = append(found, fmt.Sprintf("line %d: %s", line(at[0]), rule.why))
		}
	}
	for _, at := range scriptTag.FindAllStringIndex(f.text, -1) {
		if !scriptSource.MatchString(f.text[at[0]:at[1]]) {
			found = append(found, fmt.Sprintf("line %d: <script> without src is refused by the Content-Security-Policy", line(at[0])))
		}
	}
	return found
}

func TestPagesHaveNoInlineStyleOrScript(t *testing.T) {
	t.Parallel()
	hold(t, files(t, ".templ", "web"), inlineInPage)
}

// --- The top of the repository.

func strangers(names []string) []string {
	return slices.DeleteFunc(slices.Clone(names), func(name string) bool { return slices.Contains(layout, name) })
}

func TestTheTopOfTheRepositoryHoldsTheFixedLayoutOnly(t *testing.T) {
	t.Parallel()
	entries, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, entry := range entries {
		names = append(names, entry.Name())
	}
	if !slices.Contains(names, "go.mod") {
		t.Fatalf("%s is not the repository: %v", root, names)
	}
	for _, name := range strangers(names) {
		// What git ignores, such as the program that the README has built here, is nobody's file.
		ignored := exec.Command("git", "check-ignore", "-q", name)
		ignored.Dir = root
		if ignored.Run() == nil {
			continue
		}
		t.Errorf("%s: the layout is fixed; a file belongs to the package that uses it", name)
	}
}

// --- Each rule catches what it is for, and lets the rest be.

func TestTheRulesCatchWhatTheyAreFor(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name  string
		rule  func(file) []string
		f     file
		found int
	}{
		{"a rule that imports net/http", impureImports, file{"internal/cure/a.go", "package cure\nimport \"net/http\""}, 1},
		{"a rule below a rule that imports os", impureImports, file{"internal/gs1/scan/a.go", "package scan\nimport \"os\""}, 1},
		{"a rule that imports the store", impureImports, file{"internal/cure/a.go", "package cure\nimport \"" + module + "/internal/store\""}, 1},
		{"a rule that imports a page", impureImports, file{"internal/cure/a.go", "package cure\nimport \"" + module + "/web/ui\""}, 1},
		{"a rule that draws random numbers", impureImports, file{"internal/cure/a.go", "package cure\nimport \"crypto/rand\""}, 1},
		{"a rule that opens a database by its driver", impureImports, file{"internal/cure/a.go", "package cure\nimport d \"database/sql/driver\"\nvar x d.Conn"}, 1},
		{"a rule that opens a zip by its name", impureImports, file{"internal/sheet/a.go", "package sheet\nimport z \"archive/zip\"\nvar r, err = z.OpenReader(\"book.xlsx\")"}, 1},
		{"a rule that reads a zip's bytes", impureImports, file{"internal/sheet/a.go", "package sheet\nimport \"archive/zip\"\nvar r, err = zip.NewReader(nil, 0)"}, 0},
		{"a rule that says how it is stored", impureImports, file{"internal/day/a.go", "package day\nimport \"database/sql/driver\"\nfunc (Day) Value() (driver.Value, error)"}, 0},
		{"a rule on another rule, decimals and text", impureImports, file{"internal/cure/a.go", "package cure\nimport (\n\"" + module + "/internal/day\"\n\"github.com/shopspring/decimal\"\n\"golang.org/x/text/unicode/norm\"\n)"}, 0},
		{"the test of a rule may read testdata", impureImports, file{"internal/cure/a_test.go", "package cure\nimport \"os\""}, 0},
		{"the store is no rule", impureImports, file{"internal/store/a.go", "package store\nimport \"os\""}, 0},
		{"a file that cannot be parsed", impureImports, file{"internal/cure/a.go", "package"}, 1},

		{"an area that imports another", againstTheStream, file{"web/bench/a.go", "package bench\nimport \"" + module + "/web/recall\""}, 1},
		{"an area's test that imports another", againstTheStream, file{"web/bench/a_test.go", "package bench\nimport \"" + module + "/web/recall\""}, 1},
		{"an area that imports the router", againstTheStream, file{"web/bench/a.go", "package bench\nimport \"" + module + "/web\""}, 1},
		{"shared components that import an area", againstTheStream, file{"web/ui/a.go", "package ui\nimport \"" + module + "/web/recall\""}, 1},
		{"an area that imports the schema", againstTheStream, file{"web/bench/a.go", "package bench\nimport \"" + module + "/migrations\""}, 1},
		{"an area that imports a test's database", againstTheStream, file{"web/bench/a.go", "package bench\nimport \"" + module + "/internal/pgtest\""}, 1},
		{"the store that imports a page", againstTheStream, file{"internal/store/a.go", "package store\nimport \"" + module + "/web/ui\""}, 1},
		{"the store that imports the program", againstTheStream, file{"internal/store/a.go", "package store\nimport \"" + module + "/cmd/stillroom\""}, 1},
		{"an area on what is shared", againstTheStream, file{"web/bench/a.go", "package bench\nimport (\n\"" + module + "/web/ui\"\n\"" + module + "/web/paths\"\n\"" + module + "/internal/store\"\n\"" + module + "/web/bench/keypad\"\n)"}, 0},
		{"the router on all areas", againstTheStream, file{"web/routes.go", "package web\nimport (\n\"" + module + "/web/bench\"\n\"" + module + "/web/recall\"\n)"}, 0},
		{"a page's test on the router", againstTheStream, file{"web/bench/a_test.go", "package bench_test\nimport (\n\"" + module + "/web\"\n\"" + module + "/internal/pgtest\"\n)"}, 0},

		{"a query in a page", straySQL, file{"web/bench/a.go", "package bench\nvar q = `SELECT code FROM batch WHERE workshop_id = $1`"}, 1},
		{"a query in lower case", straySQL, file{"web/bench/a.go", "package bench\nvar q = `\n\tselect b.code, l.code\n\tfrom batch b`"}, 1},
		{"a common table expression in lower case", straySQL, file{"web/bench/a.go", "package bench\nvar q = `with recursive f as (select 1) select id from f`"}, 1},
		{"an insert", straySQL, file{"cmd/stillroom/a.go", "package main\nvar q = \"insert into lot (code) values ($1)\""}, 1},
		{"an update", straySQL, file{"internal/demo/a.go", "package demo\nvar q = \"update lot set code = 'x'\""}, 1},
		{"a delete", straySQL, file{"internal/trace/a.go", "package trace\nvar q = \"DELETE FROM lot\""}, 1},
		{"a piece of a query", straySQL, file{"web/bench/a.go", "package bench\nvar q = \" where workshop_id = $1\""}, 1},
		{"a function call", straySQL, file{"web/bench/a.go", "package bench\nvar q = \"select set_config('app.workshop_id', $1, true)\""}, 1},
		{"a ping", straySQL, file{"web/bench/a.go", "package bench\nvar q = \"select 1\""}, 1},
		{"a schema change", straySQL, file{"web/bench/a.go", "package bench\nvar q = \"create table lot ()\""}, 1},
		{"the driver of the database", straySQL, file{"web/bench/a.go", "package bench\nimport \"github.com/jackc/pgx/v5\""}, 1},
		{"sentences for people", straySQL, file{"web/bench/a.go", "package bench\nvar a, b, c, d = \"Select a lot from the list\", \"Choose where it is kept\", \"Delete from the plan what you do not need\", \"update the date set on the label\""}, 0},
		{"the word alone", straySQL, file{"web/bench/a.go", "package bench\nvar a, b, c = \"select\", \"from\", \"select[name=lot]\""}, 0},
		{"the store", straySQL, file{"internal/store/a.go", "package store\nvar q = `SELECT code FROM batch`"}, 0},

		{"a rule that looks at the clock", readsClock, file{"internal/cure/a.go", "package cure\nimport \"time\"\nfunc f() time.Time { return time.Now() }"}, 1},
		{"a page that does, by another name", readsClock, file{"web/bench/a.go", "package bench\nimport clock \"time\"\nfunc f() any { return clock.Now() }"}, 1},
		{"the store that measures", readsClock, file{"internal/store/a.go", "package store\nimport \"time\"\nfunc f(t time.Time) any { return time.Since(t) }"}, 1},
		{"the clock handed on as a value", readsClock, file{"internal/store/a.go", "package store\nimport \"time\"\nvar now = time.Now"}, 1},
		{"where a Clock is made", readsClock, file{"web/a.go", "package web\nimport \"time\"\nfunc SystemClock() Clock { return time.Now }\nvar c = Config{Clock: time.Now}\nvar d = ui.Clock(time.Now)\nfunc (systemClock) Now() time.Time { return time.Now() }"}, 0},
		{"a duration is no clock", readsClock, file{"internal/cure/a.go", "package cure\nimport \"time\"\nvar d = 48 * time.Hour"}, 0},
		{"a test has deadlines", readsClock, file{"web/bench/a_test.go", "package bench\nimport \"time\"\nvar d = time.Now()"}, 0},

		{"a style", inlineInPage, file{"web/ui/a.templ", `<p style="color:red">`}, 1},
		{"a style by expression", inlineInPage, file{"web/ui/a.templ", `<p style={ s }>`}, 1},
		{"a style at times", inlineInPage, file{"web/ui/a.templ", `<p style?={ s }>`}, 1},
		{"a style on its own line", inlineInPage, file{"web/ui/a.templ", "<p\n\tstyle=\"x\"\n>"}, 1},
		{"a handler", inlineInPage, file{"web/ui/a.templ", `<button onclick="go()">`}, 1},
		{"a handler in capitals", inlineInPage, file{"web/ui/a.templ", `<button onClick={ js }>`}, 1},
		{"a style among attributes", inlineInPage, file{"web/ui/a.templ", `{ templ.Attributes{"style": s, "onclick": s}... }`}, 2},
		{"a script", inlineInPage, file{"web/ui/a.templ", "<script>\nlet x\n</script>"}, 1},
		{"a module without a source", inlineInPage, file{"web/ui/a.templ", `<script type="module">`}, 1},
		{"a script's data-src is no source", inlineInPage, file{"web/ui/a.templ", `<script data-src="x">`}, 1},
		{"a style sheet", inlineInPage, file{"web/ui/a.templ", `<style>p{}</style>`}, 1},
		{"templ's own script", inlineInPage, file{"web/ui/a.templ", "script go(x string) {\n}"}, 1},
		{"templ's own style", inlineInPage, file{"web/ui/a.templ", "css red() {\n}"}, 1},
		{"data in a script", inlineInPage, file{"web/ui/a.templ", `@templ.JSONScript("x", data)`}, 1},
		{"a script from static", inlineInPage, file{"web/ui/a.templ", "<script type=\"module\"\n\tsrc={ static.Path(\"stillroom.js\") }></script>"}, 0},
		{"words, classes and code", inlineInPage, file{"web/ui/a.templ", "<p class=\"style\" data-on=\"1\">on hand = 3, on 3 May; style of one</p>\nif one == 1 && style == \"x\" {"}, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if found := tt.rule(tt.f); len(found) != tt.found {
				t.Errorf("%d findings, want %d: %q", len(found), tt.found, found)
			}
		})
	}
}

func TestWhatARuleReachesIsSeenAtAnyDepth(t *testing.T) {
	t.Parallel()
	deps := []string{
		"net", "net/http", "net/http/internal", "net/httpx", "github.com/jackc/pgx/v5/pgxpool", "github.com/jackc/pgxother",
		"github.com/a-h/templ", module + "/internal/store", module + "/internal/storeroom", module + "/internal/day",
	}
	want := []string{
		"net/http", "net/http/internal", "github.com/jackc/pgx/v5/pgxpool", "github.com/a-h/templ", module + "/internal/store",
	}
	if diff := cmp.Diff(want, reaches(deps)); diff != "" {
		t.Errorf("reaches (-want +got):\n%s", diff)
	}
}

func TestAStrangerAtTheTopIsSeen(t *testing.T) {
	t.Parallel()
	if diff := cmp.Diff([]string{"docs", "stillroom"}, strangers([]string{"cmd", "docs", "go.mod", "stillroom", "web"})); diff != "" {
		t.Errorf("strangers (-want +got):\n%s", diff)
	}
}
