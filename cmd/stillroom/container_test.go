package main

import (
	"bytes"
	"debug/elf"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"go.yaml.in/yaml/v3"

	"example.org/stillroom/internal/pgprivate"
)

// What of the image can be held to its word without an engine that builds it.

// lines are the instructions of the Dockerfile, by name, comments and continuation lines aside.
func instructions(t *testing.T) [][2]string {
	t.Helper()
	text, err := os.ReadFile("../../Dockerfile")
	check(t, err)
	var out [][2]string
	for line := range strings.Lines(strings.ReplaceAll(string(text), "\\\n", " ")) {
		if name, rest, ok := strings.Cut(strings.TrimSpace(line), " "); ok && name != "#" {
			out = append(out, [2]string{name, strings.TrimSpace(rest)})
		}
	}
	return out
}

func TestTheImageRunsAsNobodyInParticularAndSaysWhetherItIsWell(t *testing.T) {
	t.Parallel()
	last := map[string]string{} // of the final stage
	for _, in := range instructions(t) {
		if in[0] == "FROM" {
			clear(last)
		}
		last[in[0]] = in[1]
	}
	if last["FROM"] != "scratch" || !regexp.MustCompile(`^[1-9]\d+:[1-9]\d+$`).MatchString(last["USER"]) {
		t.Errorf("from %q as %q", last["FROM"], last["USER"])
	}
	var entry, cmd, health []string
	_, healthcheck, _ := strings.Cut(last["HEALTHCHECK"], "CMD ")
	for text, into := range map[string]*[]string{last["ENTRYPOINT"]: &entry, last["CMD"]: &cmd, healthcheck: &health} {
		check(t, json.Unmarshal([]byte(text), into)) // the form without a shell: scratch has none
	}
	if diff := cmp.Diff([]string{"/stillroom", "serve", "--addr", "0.0.0.0:" + last["EXPOSE"]}, append(entry, cmd...)); diff != "" {
		t.Errorf("what it runs (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"/stillroom", "healthcheck", "--addr", "127.0.0.1:" + last["EXPOSE"]}, health); diff != "" {
		t.Errorf("how it is asked (-want +got):\n%s", diff)
	}
	// The check answers 3, not 0, where nobody serves: an image whose check cannot fail says nothing.
	if got := run(t, nil, append(health[1:2], "--addr", "127.0.0.1:1")...); got.status != unreachable {
		t.Errorf("healthcheck of nothing ends with %d", got.status)
	}
}

func TestTheImagesProgramIsStaticAndBuiltOfWhatTheImageIsGiven(t *testing.T) {
	t.Parallel()
	var build string
	var golang string
	for _, in := range instructions(t) {
		if in[0] == "RUN" && strings.Contains(in[1], "go build") {
			build = in[1]
		}
		if tag, ok := strings.CutPrefix(in[1], "golang:"); ok && in[0] == "FROM" {
			golang, _, _ = strings.Cut(tag, "-")
		}
	}
	mod, err := os.ReadFile("../../go.mod")
	check(t, err)
	want := regexp.MustCompile(`(?m)^go (\d+\.\d+)`).FindStringSubmatch(string(mod))[1]
	if !strings.HasPrefix(golang, want+".") {
		t.Errorf("built with Go %s, the module asks for %s", golang, want)
	}
	dir := t.TempDir()
	cmd := exec.CommandContext(t.Context(), "sh", "-c", strings.ReplaceAll(build, "/out/", dir+"/"))
	cmd.Dir = "../.."
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", build, err, out)
	}
	if runtime.GOOS == "linux" {
		program, err := elf.Open(filepath.Join(dir, "stillroom"))
		check(t, err)
		defer program.Close()
		for _, p := range program.Progs {
			if p.Type == elf.PT_INTERP || p.Type == elf.PT_DYNAMIC {
				t.Errorf("it needs a loader (%s)", p.Type)
			}
		}
	}
	// .dockerignore must not take away what it is built of.
	ignored, err := os.ReadFile("../../.dockerignore")
	check(t, err)
	root, err := filepath.Abs("../..")
	check(t, err)
	list := exec.CommandContext(t.Context(), "go", "list", "-deps", "-f", `{{if .Module}}{{if .Module.Main}}{{$d := .Dir}}{{range .GoFiles}}{{$d}}/{{.}}{{"\n"}}{{end}}{{range .EmbedFiles}}{{$d}}/{{.}}{{"\n"}}{{end}}{{end}}{{end}}`, "./cmd/stillroom")
	list.Dir = root
	files, err := list.Output()
	check(t, err)
	n := 0
	for file := range strings.Lines(string(files)) {
		name, _ := filepath.Rel(root, strings.TrimSpace(file))
		if name == "." {
			continue
		}
		n++
		for rule := range strings.Lines(string(ignored)) {
			if rule = strings.TrimSpace(rule); rule != "" && rule[0] != '#' && matches(rule, name) {
				t.Errorf("%s is left out of the image by %q", name, rule)
			}
		}
	}
	if n < 100 {
		t.Errorf("only %d files were looked at", n)
	}
}

// matches tells whether a rule of .dockerignore covers a file: itself or a folder above it, ** for any folders.
func matches(rule, name string) bool {
	parts := strings.Split(name, "/")
	for i := range parts {
		prefix := strings.Join(parts[:i+1], "/")
		if ok, _ := filepath.Match(rule, prefix); ok {
			return true
		}
		if tail, any := strings.CutPrefix(rule, "**/"); any {
			if ok, _ := filepath.Match(tail, parts[i]); ok {
				return true
			}
		}
	}
	return false
}

// composed is what the tests read of compose.yaml.
type composed struct {
	Services map[string]struct {
		Image       string
		Environment map[string]string
		Secrets     []string
		Ports       []string
		User        string
		ReadOnly    bool     `yaml:"read_only"`
		CapDrop     []string `yaml:"cap_drop"`
		Healthcheck struct{ Test []string }
		DependsOn   map[string]struct{ Condition string } `yaml:"depends_on"`
	}
	Configs map[string]struct{ Content string }
	Secrets map[string]struct{ File string }
}

func compose(t *testing.T) composed {
	t.Helper()
	text, err := os.ReadFile("../../compose.yaml")
	check(t, err)
	var c composed
	check(t, yaml.Unmarshal(text, &c))
	return c
}

func TestComposeKeepsSecretsInFilesAndPinsItsPostgreSQL(t *testing.T) {
	t.Parallel()
	c := compose(t)
	ignored, err := os.ReadFile("../../.gitignore")
	check(t, err)
	for name, secret := range c.Secrets {
		if !strings.HasPrefix(secret.File, "secrets/") || !strings.Contains(string(ignored), "\n/secrets/\n") {
			t.Errorf("%s is in %s, which may be committed", name, secret.File)
		}
	}
	for service, s := range c.Services {
		for name, value := range s.Environment {
			if strings.HasSuffix(name, "PASSWORD") || strings.HasSuffix(name, "DATABASE_URL") || strings.HasSuffix(name, "APP_URL") {
				t.Errorf("%s: %s holds %q itself", service, name, value)
			}
			if secret, ok := strings.CutPrefix(value, "/run/secrets/"); ok && (c.Secrets[secret].File == "" || !strings.HasSuffix(name, "_FILE")) {
				t.Errorf("%s: %s names a secret that is not there: %q", service, name, value)
			}
		}
		for _, secret := range s.Secrets {
			if c.Secrets[secret].File == "" {
				t.Errorf("%s asks for a secret that is not there: %s", service, secret)
			}
		}
	}
	db, app := c.Services["db"], c.Services["stillroom"]
	if !regexp.MustCompile(`^postgres:1[5-9]\.\d+-\w+$`).MatchString(db.Image) {
		t.Errorf("PostgreSQL is %q, no pinned version", db.Image)
	}
	if len(db.Ports) != 0 || len(db.Healthcheck.Test) == 0 || app.DependsOn["db"].Condition != "service_healthy" {
		t.Errorf("the database: ports %v, check %v, waited for: %v", db.Ports, db.Healthcheck.Test, app.DependsOn)
	}
	if !app.ReadOnly || !cmp.Equal(app.CapDrop, []string{"ALL"}) || !strings.HasPrefix(app.Ports[0], "127.0.0.1:") {
		t.Errorf("the program: read-only %v, dropped %v, ports %v", app.ReadOnly, app.CapDrop, app.Ports)
	}
}

func TestTheRolesOfComposeAreTheTwoThatTheProgramAsksFor(t *testing.T) {
	t.Parallel()
	bin, err := pgprivate.Find("", 0)
	check(t, err)
	cluster, err := pgprivate.OpenThrowaway(t.Context(), pgprivate.Config{Dir: folder(t) + ".pg"})
	check(t, err)
	t.Cleanup(func() { check(t, cluster.Close()) })
	super, err := pgx.Connect(t.Context(), cluster.SuperuserURL())
	check(t, err)
	defer super.Close(t.Context())
	// The private cluster comes with roles and a database of these names; the image of PostgreSQL does not.
	for _, sql := range []string{`DROP DATABASE stillroom`, `DROP OWNED BY stillroom_owner, stillroom_app`, `DROP ROLE stillroom_owner`, `DROP ROLE stillroom_app`} {
		_, err := super.Exec(t.Context(), sql)
		check(t, err)
	}
	secrets := t.TempDir()
	check(t, os.WriteFile(filepath.Join(secrets, "database_url"), []byte("postgres://stillroom_owner:own3r-pass@db:5432/stillroom\n"), 0o600))
	check(t, os.WriteFile(filepath.Join(secrets, "app_url"), []byte("postgres://stillroom_app:app-pa55@db:5432/stillroom\n"), 0o600))
	script := strings.ReplaceAll(compose(t).Configs["roles"].Content, "$$", "$")
	cmd := exec.CommandContext(t.Context(), "bash", "-c", script)
	config := super.Config()
	cmd.Env = []string{"PATH=" + bin.Dir + ":" + os.Getenv("PATH"), "PGHOST=" + config.Host, "PGUSER=" + config.User, "SECRETS=" + secrets}
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	var got bytes.Buffer
	rows, err := super.Query(t.Context(), `SELECT format('%s login=%s createrole=%s super=%s bypass=%s password=%s; ', rolname, rolcanlogin, rolcreaterole, rolsuper, rolbypassrls, left(rolpassword, 14))
		FROM pg_authid WHERE rolname LIKE 'stillroom%' ORDER BY 1`)
	check(t, err)
	var line string
	_, err = pgx.ForEachRow(rows, []any{&line}, func() error { got.WriteString(line); return nil })
	check(t, err)
	want := "stillroom_app login=t createrole=f super=f bypass=f password=SCRAM-SHA-256$; stillroom_owner login=t createrole=t super=f bypass=f password=SCRAM-SHA-256$; "
	if diff := cmp.Diff(want, got.String()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	// The owner migrates and the other serves, named by files as in the image.
	check(t, os.WriteFile(filepath.Join(secrets, "database_url"), []byte(cluster.OwnerURL()+"\n"), 0o600))
	check(t, os.WriteFile(filepath.Join(secrets, "app_url"), []byte(cluster.AppURL()+"\n"), 0o600))
	env := []string{"STILLROOM_DATABASE_URL_FILE=" + filepath.Join(secrets, "database_url"), "STILLROOM_APP_URL_FILE=" + filepath.Join(secrets, "app_url")}
	server := serve(t, env, "--data", folder(t))
	if status := server.end(syscall.SIGTERM); status != 0 {
		t.Errorf("it ended with %d", status)
	}
}
