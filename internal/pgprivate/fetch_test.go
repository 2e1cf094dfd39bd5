//go:build unix

package pgprivate

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha512"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
)

// packed is an archive as the registry serves them. Its programs lead to those of this machine.
func packed(t *testing.T, extra ...tar.Header) []byte {
	t.Helper()
	bin, err := Find("", 0)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	zip := gzip.NewWriter(&out)
	in := tar.NewWriter(zip)
	add := func(h tar.Header, text string) {
		h.Size, h.Format = int64(len(text)), tar.FormatPAX
		if h.Typeflag == 0 {
			h.Typeflag = tar.TypeReg
		}
		if h.Typeflag != tar.TypeReg {
			h.Size, text = 0, ""
		}
		if err := in.WriteHeader(&h); err != nil {
			t.Fatal(err)
		}
		if _, err := in.Write([]byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	for _, program := range []string{"postgres", "initdb"} {
		add(tar.Header{Name: "package/native/bin/" + program, Mode: 0o644}, "#!/bin/sh\nexec "+bin.Path(program)+` "$@"`+"\n")
	}
	add(tar.Header{Name: "package/native/lib/libpq.so.5.17", Mode: 0o644}, "a library")
	add(tar.Header{Name: "package/native/lib/libpq.a", Mode: 0o644}, "only builds other programs")
	add(tar.Header{Name: "package/package.json", Mode: 0o644}, "{}")
	add(tar.Header{Name: "package/native/pg-symlinks.json", Mode: 0o644}, `[{"source":"native/lib/libpq.so.5.17","target":"native/lib/libpq.so.5"}]`)
	for _, h := range extra {
		add(h, "extra")
	}
	if err := errors.Join(in.Close(), zip.Close()); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// repository serves an archive for this machine, and counts how often it was asked.
func repository(t *testing.T, content []byte) (Fetched, *atomic.Int32) {
	t.Helper()
	bin, err := Find("", 0)
	if err != nil {
		t.Fatal(err)
	}
	asked := &atomic.Int32{}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked.Add(1)
		if r.URL.Path != "/mirror/@embedded-postgres/this-machine/-/this-machine-"+fetchedVersion+".tgz" {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Length", fmt.Sprint(len(content)))
		_, _ = w.Write(content)
	}))
	t.Cleanup(server.Close)
	sum := sha512.Sum512(content)
	return Fetched{
		Cache: filepath.Join(shared(t), "cache"), Repository: server.URL + "/mirror", major: bin.Major,
		archives: map[string]archive{runtime.GOOS + "/" + runtime.GOARCH: {"this-machine", base64.StdEncoding.EncodeToString(sum[:])}},
	}, asked
}

// shared is a folder that whoever runs PostgreSQL here may enter.
func shared(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "stillroom-cache-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestAMachineWithoutPostgreSQLFetchesItOnceAndStartsIt(t *testing.T) {
	t.Parallel()
	f, asked := repository(t, packed(t))
	var told []int64
	f.Progress = func(_ string, done, total int64) { told = append(told, done*100/total) }
	for range 2 {
		bin, ok, err := f.find(t.Context(), 0)
		if err != nil || !ok {
			t.Fatal(ok, err)
		}
		if version(bin.Dir) != f.major {
			t.Errorf("%s does not run", bin.Dir)
		}
	}
	if n := asked.Load(); n != 1 {
		t.Errorf("fetched %d times", n)
	}
	if len(told) == 0 || told[len(told)-1] != 100 {
		t.Errorf("progress told: %v %%", told)
	}
	home := filepath.Join(f.Cache, "postgresql-"+fetchedVersion+"-this-machine")
	if text, err := os.ReadFile(filepath.Join(home, "lib", "libpq.so.5")); err != nil || string(text) != "a library" {
		t.Errorf("the library's other name: %q, %v", text, err)
	}
	if _, err := os.Stat(filepath.Join(home, "lib", "libpq.a")); err == nil {
		t.Error("what only builds programs was unpacked too")
	}
	if left, _ := os.ReadDir(f.Cache); len(left) != 1 {
		t.Errorf("left in the cache: %v", left)
	}
	// The repository is gone, the cache serves.
	f.Repository = ""
	cluster, err := Open(t.Context(), Config{Dir: filepath.Join(shared(t), "data"), BinDir: filepath.Join(home, "bin")}, Owner)
	if err != nil {
		t.Fatal(err)
	}
	if err := cluster.Close(); err != nil {
		t.Error(err)
	}
}

func TestWhatARepositoryServesInsteadIsRefusedAndLeavesNothing(t *testing.T) {
	t.Parallel()
	good := packed(t)
	for name, tt := range map[string]struct {
		serve []byte
		pin   []byte // whose sum is expected
		words string
	}{
		"another archive":              {packed(t, tar.Header{Name: "package/native/bin/extra", Mode: 0o755}), good, "SHA-512"},
		"half of it":                   {good[:len(good)/2], good, "SHA-512"},
		"nothing":                      {nil, good, "SHA-512"},
		"no archive at all":            {[]byte("<html>sign in</html>"), []byte("<html>sign in</html>"), "gzip"},
		"a name that leads out":        {packed(t, tar.Header{Name: "package/native/../../../escaped", Mode: 0o644}), nil, "escapes"},
		"the same name twice":          {packed(t, tar.Header{Name: "package/native/bin/postgres", Mode: 0o755}), nil, "exists"},
		"an archive that is cut short": {good[:len(good)-20], good[:len(good)-20], "EOF"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f, _ := repository(t, tt.serve)
			if tt.pin != nil {
				sum := sha512.Sum512(tt.pin)
				f.archives[runtime.GOOS+"/"+runtime.GOARCH] = archive{"this-machine", base64.StdEncoding.EncodeToString(sum[:])}
			}
			_, ok, err := f.find(t.Context(), 0)
			if ok || !errors.Is(err, ErrNoBinaries) || !strings.Contains(err.Error(), tt.words) || !strings.Contains(err.Error(), "Nothing was changed") {
				t.Errorf("%v, %v; want %q", ok, err, tt.words)
			}
			if left, _ := os.ReadDir(f.Cache); len(left) != 0 {
				t.Errorf("left in the cache: %v", left)
			}
		})
	}
}

func TestAnArchiveWithoutThisMajorOrForAnotherMachineIsNotAskedFor(t *testing.T) {
	t.Parallel()
	f, asked := repository(t, packed(t))
	if _, ok, err := f.find(t.Context(), f.major+1); ok || err != nil {
		t.Errorf("another major: %v, %v", ok, err)
	}
	off := f
	off.Repository = ""
	if _, ok, err := off.find(t.Context(), 0); ok || err != nil {
		t.Errorf("fetching is off: %v, %v", ok, err)
	}
	strange := f
	strange.archives = map[string]archive{"plan9/mips": {"x", "y"}}
	if _, ok, err := strange.find(t.Context(), 0); ok || err != nil {
		t.Errorf("a strange machine: %v, %v", ok, err)
	}
	if n := asked.Load(); n != 0 {
		t.Errorf("asked %d times", n)
	}
}

func TestARepositoryThatDoesNotAnswerIsSaid(t *testing.T) {
	t.Parallel()
	f, _ := repository(t, packed(t))
	missing := f
	missing.Repository += "/elsewhere"
	if _, _, err := missing.find(t.Context(), 0); !errors.Is(err, ErrNoBinaries) || !strings.Contains(err.Error(), "404") {
		t.Errorf("not there: %v", err)
	}
	gone := f
	gone.Repository = "http://127.0.0.1:1"
	if _, _, err := gone.find(t.Context(), 0); !errors.Is(err, ErrNoBinaries) || !strings.Contains(err.Error(), "refused") {
		t.Errorf("nobody there: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, err := f.find(ctx, 0); err == nil || !strings.Contains(err.Error(), "canceled") {
		t.Errorf("called off: %v", err)
	}
}

func TestSeveralMayFetchAtOnce(t *testing.T) {
	t.Parallel()
	f, _ := repository(t, packed(t))
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			if _, ok, err := f.find(t.Context(), 0); !ok || err != nil {
				t.Error(ok, err)
			}
		})
	}
	all.Wait()
	if left, _ := os.ReadDir(f.Cache); len(left) != 1 {
		t.Errorf("left in the cache: %v", left)
	}
}
