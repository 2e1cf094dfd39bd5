// Package static holds the style sheet, the fonts, the icon and the small ES modules, and serves them under URLs
// that carry a hash of their content: what is cached for ever can never be stale, and a new build never shows an
// old look. References between the files (a font in the style sheet, a module in a module) are rewritten to the
// hashed names, so a file's hash covers everything it pulls in.
package static

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"regexp"
	"strings"
	"sync"
	"time"
)

//go:embed *.css *.js *.svg fonts
var embedded embed.FS

// Prefix is where Handler expects to be mounted.
const Prefix = "/static/"

// types lists what may be here at all: a file of another kind stops the program at start, since under nosniff a
// browser refuses what has no exact type.
var types = map[string]string{
	".css":   "text/css; charset=utf-8",
	".js":    "text/javascript; charset=utf-8",
	".svg":   "image/svg+xml",
	".woff2": "font/woff2",
	".txt":   "text/plain; charset=utf-8",
	".wasm":  "application/wasm",
}

type file struct {
	name    string // as in the folder, "fonts/next-latin.woff2"
	hash    string // 16 hex digits of SHA-256 over the content as served
	kind    string
	content []byte
	packed  []byte // gzip, nil where it does not pay
}

func (f *file) hashed() string {
	ext := path.Ext(f.name)
	return strings.TrimSuffix(f.name, ext) + "." + f.hash + ext
}

type tree struct {
	byName map[string]*file
	byHash map[string]*file
}

var all = sync.OnceValue(func() *tree {
	t, err := load(embedded)
	if err != nil {
		panic(err) // the files are compiled in: this is a defect of the build, found by any test
	}
	return t
})

// Path gives the URL of a file: "stillroom.css" becomes "/static/stillroom.<hash>.css". It panics for a name that
// is not embedded, since the names are literals in our own templates.
func Path(name string) string {
	f, ok := all().byName[name]
	if !ok {
		panic(fmt.Sprintf("static: no file %q", name))
	}
	return Prefix + f.hashed()
}

// hashedName takes a URL's file name apart: base, hash, extension.
var hashedName = regexp.MustCompile(`^(.+)\.[0-9a-f]{16}(\.[a-z0-9]+)$`)

// Handler serves the files, to be mounted at Prefix with the path left whole. A hashed name is cached for ever. A
// name without a hash is served to be asked for again each time. A hash of another build, as a page gets while a
// new version is rolled out, gives this build's file uncached: better than a page without its look. Folders and
// unknown names are 404.
func Handler() http.Handler { return all() }

func (t *tree) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		http.Error(w, "Only GET here.", http.StatusMethodNotAllowed)
		return
	}
	name := strings.TrimPrefix(r.URL.Path, Prefix)
	h := w.Header()
	h.Set("X-Content-Type-Options", "nosniff")
	cache := "public, max-age=31536000, immutable"
	f, ok := t.byHash[name]
	if !ok {
		cache = "no-cache"
		if f, ok = t.byName[name]; !ok {
			if part := hashedName.FindStringSubmatch(name); part != nil {
				cache = "no-store"
				f, ok = t.byName[part[1]+part[2]]
			}
		}
	}
	if !ok {
		h.Set("Cache-Control", "no-store")
		http.Error(w, "There is no such file.", http.StatusNotFound)
		return
	}
	h.Set("Cache-Control", cache)
	h.Set("Content-Type", f.kind)
	body, tag := f.content, f.hash
	if f.packed != nil {
		h.Set("Vary", "Accept-Encoding")
		if acceptsGzip(r.Header.Get("Accept-Encoding")) {
			body, tag = f.packed, f.hash+"-gz"
			h.Set("Content-Encoding", "gzip")
		}
	}
	h.Set("ETag", `"`+tag+`"`)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(body))
}

// acceptsGzip reads as much of Accept-Encoding as matters: gzip is named and not refused by q=0.
func acceptsGzip(header string) bool {
	for part := range strings.SplitSeq(header, ",") {
		coding, quality, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.EqualFold(strings.TrimSpace(coding), "gzip") {
			quality = strings.ReplaceAll(quality, " ", "")
			return strings.Trim(strings.TrimPrefix(quality, "q="), "0.") != "" || quality == ""
		}
	}
	return false
}

// load reads every file, rewrites references and hashes.
func load(files fs.FS) (*tree, error) {
	t := &tree{byName: map[string]*file{}, byHash: map[string]*file{}}
	l := loader{files: files, tree: t, open: map[string]bool{}}
	err := fs.WalkDir(files, ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		_, err = l.file(name)
		return err
	})
	if err != nil {
		return nil, err
	}
	return t, nil
}

type loader struct {
	files fs.FS
	tree  *tree
	open  map[string]bool // files being read: to find one again is a circle, and a circle has no hash
}

// references finds what a file pulls in, as the first group that matched: url(…) in a style sheet, the specifier
// of an import or of new URL(…, import.meta.url) in a module.
var references = map[string]*regexp.Regexp{
	".css": regexp.MustCompile(`url\("([^")]+)"\)`),
	".js":  regexp.MustCompile(`(?:\bfrom\s+|\bimport\s+|\bimport\(|\bnew URL\()"(\./[^"]+)"`),
}

func (l *loader) file(name string) (*file, error) {
	if f, ok := l.tree.byName[name]; ok {
		return f, nil
	}
	if l.open[name] {
		return nil, fmt.Errorf("static: %s refers to itself in a circle", name)
	}
	l.open[name] = true
	defer delete(l.open, name)

	ext := path.Ext(name)
	kind, ok := types[ext]
	if !ok {
		return nil, fmt.Errorf("static: %s: no content type for %q", name, ext)
	}
	content, err := fs.ReadFile(l.files, name)
	if err != nil {
		return nil, fmt.Errorf("static: %w", err)
	}
	if pattern := references[ext]; pattern != nil {
		if content, err = l.rewrite(name, content, pattern); err != nil {
			return nil, err
		}
	}
	sum := sha256.Sum256(content)
	f := &file{name: name, hash: hex.EncodeToString(sum[:8]), kind: kind, content: content, packed: pack(ext, content)}
	l.tree.byName[name], l.tree.byHash[f.hashed()] = f, f
	return f, nil
}

func (l *loader) rewrite(name string, content []byte, pattern *regexp.Regexp) ([]byte, error) {
	var out bytes.Buffer
	last := 0
	for _, at := range pattern.FindAllSubmatchIndex(content, -1) {
		ref := string(content[at[2]:at[3]])
		if strings.HasPrefix(ref, "data:") {
			continue
		}
		to, err := l.file(path.Join(path.Dir(name), ref))
		if err != nil {
			return nil, fmt.Errorf("%s refers to %q: %w", name, ref, err)
		}
		out.Write(content[last:at[2]])
		out.WriteString(strings.TrimSuffix(ref, path.Base(ref)) + path.Base(to.hashed()))
		last = at[3]
	}
	out.Write(content[last:])
	return out.Bytes(), nil
}

// pack compresses what is text; woff2 is compressed by itself.
func pack(ext string, content []byte) []byte {
	if ext == ".woff2" {
		return nil
	}
	var out bytes.Buffer
	w, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err != nil {
		panic(err) // the level is a constant
	}
	if _, err := w.Write(content); err != nil {
		panic(err) // a bytes.Buffer takes everything
	}
	if err := w.Close(); err != nil {
		panic(err)
	}
	if out.Len() >= len(content) {
		return nil
	}
	return out.Bytes()
}
