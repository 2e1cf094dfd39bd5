package main

import (
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"example.org/stillroom/internal/pgtest"
)

func TestMetricsAreOnAListenerOfTheirOwn(t *testing.T) {
	t.Parallel()
	env := []string{"STILLROOM_DATABASE_URL=" + pgtest.Database(t).OwnerURL, "STILLROOM_DATA=" + folder(t)}
	s := serve(t, env, "--metrics", "127.0.0.1:0")
	at := regexp.MustCompile(`Metrics are at (http://\S+)`).FindStringSubmatch(s.stderr())
	if at == nil {
		t.Fatalf("it does not say where they are: %s", s.stderr())
	}
	for _, path := range []string{"/metrics", "/no/such/page", "/sign-in"} {
		res, err := http.Get(s.base + path)
		check(t, err)
		res.Body.Close()
		if want := path != "/sign-in"; want != (res.StatusCode == http.StatusNotFound) {
			t.Errorf("%s on the public listener answers %d", path, res.StatusCode)
		}
	}
	res, err := http.Get(at[1])
	check(t, err)
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	check(t, err)
	for _, want := range []string{
		`stillroom_http_request_duration_seconds_count{method="GET",route="/sign-in",status="200"} 1`,
		`stillroom_http_request_duration_seconds_count{method="GET",route="none",status="404"} 2`,
		"stillroom_database_connections_max 8", "go_goroutines ", "process_open_fds ", "go_build_info{",
	} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the metrics lack %s", want)
		}
	}
	if strings.Contains(string(text), "no/such") {
		t.Error("a path that somebody asked for is a label")
	}
	if res, err := http.Get(strings.TrimSuffix(at[1], "/metrics") + "/sign-in"); err != nil || res.StatusCode != http.StatusNotFound {
		t.Errorf("pages on the listener of the metrics: %v, %v", res, err)
	}
}

func TestWithoutTheFlagThereAreNoMetrics(t *testing.T) {
	t.Parallel()
	s := serve(t, []string{"STILLROOM_DATABASE_URL=" + pgtest.Database(t).OwnerURL, "STILLROOM_DATA=" + folder(t)})
	if status, _, _ := get(t, browser(t), s.base+"/metrics"); status != http.StatusNotFound || strings.Contains(s.stderr(), "Metrics") {
		t.Errorf("/metrics answers %d; it says %s", status, s.stderr())
	}
}
