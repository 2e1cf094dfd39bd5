package store

import (
	"archive/zip"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
)

// ImportSource is what an import reads: a folder, a zip, or one table. Names are the files in it, those of the folder book/
// with it before them; one may be opened more than once.
type ImportSource interface {
	Names() []string
	Open(name string) (io.ReadCloser, error)
	Label() string
	SHA256() string
}

// MostUnpacked is how many bytes a zip may hold when unpacked, and MostRatio how many times its own size one entry: what
// unpacks to more was made to fill a disk.
const (
	MostUnpacked = 16 << 30
	MostRatio    = 1000
	mostEntries  = 100_000
)

type folder struct {
	dir   string
	names []string
	sum   string
}

// OpenImportDir reads a folder of tables, and the folder book/ in it. Other files that are no CSV, and folders, are left
// alone.
func OpenImportDir(dir string) (ImportSource, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fault.New(fault.Invalid, fmt.Sprintf("The folder %s cannot be read: %v", dir, plainError(err)))
	}
	f := folder{dir: dir}
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".csv") && !e.IsDir() {
			f.names = append(f.names, e.Name())
		}
	}
	if err := f.listBook(); err != nil {
		return nil, err
	}
	hash := sha256.New()
	for _, name := range f.names {
		in, err := os.Open(filepath.Join(dir, filepath.FromSlash(name)))
		if err != nil {
			return nil, fault.New(fault.Invalid, fmt.Sprintf("%s cannot be read: %v", name, plainError(err)))
		}
		one := sha256.New()
		_, err = io.Copy(one, in)
		in.Close()
		if err != nil {
			return nil, fmt.Errorf("store: import %s: %w", name, err)
		}
		fmt.Fprintf(hash, "%x  %s\n", one.Sum(nil), name)
	}
	f.sum = hex.EncodeToString(hash.Sum(nil))
	return f, nil
}

// listBook adds the files of the folder book/.
func (f *folder) listBook() error {
	for _, under := range []string{interchange.BookFolder, interchange.DocumentFolder} {
		entries, err := os.ReadDir(filepath.Join(f.dir, filepath.FromSlash(under)))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return fault.New(fault.Invalid, fmt.Sprintf("The folder %s cannot be read: %v", under, plainError(err)))
		}
		for _, e := range entries {
			if !e.IsDir() && !strings.HasPrefix(e.Name(), ".") {
				f.names = append(f.names, under+e.Name())
			}
		}
	}
	return nil
}

// plainError is what the system said, without the path that the message names already.
func plainError(err error) error {
	var path *fs.PathError
	if errors.As(err, &path) {
		return path.Err
	}
	return err
}

func (f folder) Names() []string { return f.names }
func (f folder) Open(name string) (io.ReadCloser, error) {
	return os.Open(filepath.Join(f.dir, filepath.FromSlash(name)))
}
func (f folder) Label() string  { return filepath.Base(f.dir) }
func (f folder) SHA256() string { return f.sum }

type archive struct {
	zip   *zip.ReadCloser
	files map[string]*zip.File
	names []string
	label string
	sum   string
}

// OpenImportZip reads a zip of tables, which may lie in one folder inside it. The second answer closes it.
func OpenImportZip(path string) (ImportSource, func() error, error) {
	sum, err := fileSum(path)
	if err != nil {
		return nil, nil, err
	}
	z, err := zip.OpenReader(path)
	if err != nil {
		return nil, nil, fault.New(fault.Invalid, fmt.Sprintf("%s is no zip that can be read: %v", filepath.Base(path), err))
	}
	a := archive{zip: z, files: map[string]*zip.File{}, label: filepath.Base(path), sum: sum}
	if err := a.list(); err != nil {
		z.Close()
		return nil, nil, err
	}
	return a, z.Close, nil
}

// plainFolders are folders that are called book and hold tables of the contract: somebody packed a folder of that name.
func (a *archive) plainFolders() map[string]bool {
	plain := map[string]bool{}
	for _, f := range a.zip.File {
		name := f.Name[strings.LastIndex(f.Name, "/")+1:]
		if _, ours := interchange.Lookup(name); ours && name != "workshop.csv" { // both have one of that name
			plain["/"+strings.TrimSuffix(f.Name, name)] = true
		}
	}
	return plain
}

func (a *archive) list() error {
	if len(a.zip.File) > mostEntries {
		return fault.New(fault.Invalid, fmt.Sprintf("The zip has %d entries; %d are the most.", len(a.zip.File), mostEntries))
	}
	plain := a.plainFolders()
	var total uint64
	for _, f := range a.zip.File {
		if strings.HasSuffix(f.Name, "/") {
			continue
		}
		if !fs.ValidPath(f.Name) || strings.ContainsAny(f.Name, "\\\x00") {
			return fault.New(fault.Invalid, fmt.Sprintf("The zip has an entry %q, which leads out of it.", f.Name))
		}
		if total += f.UncompressedSize64; f.UncompressedSize64 > MostUnpacked || total > MostUnpacked {
			return fault.New(fault.Invalid, "The zip unpacks to more than a book has.")
		}
		if f.UncompressedSize64 > 1<<20 && f.UncompressedSize64/MostRatio > f.CompressedSize64 {
			return fault.New(fault.Invalid, fmt.Sprintf("The entry %q of the zip unpacks to more than %d times its size.", f.Name, MostRatio))
		}
		name := f.Name[strings.LastIndex(f.Name, "/")+1:]
		if strings.HasPrefix(name, ".") || strings.HasPrefix(f.Name, "__MACOSX/") {
			continue
		}
		switch under := "/" + strings.TrimSuffix(f.Name, name); {
		case strings.HasSuffix(under, "/"+interchange.BookFolder) && !plain[under]:
			name = interchange.BookFolder + name
		case strings.HasSuffix(under, "/"+interchange.DocumentFolder):
			name = interchange.DocumentFolder + name
		case !strings.HasSuffix(name, ".csv"):
			continue
		}
		if a.files[name] != nil {
			return fault.New(fault.Invalid, fmt.Sprintf("The zip has two files %q.", name))
		}
		a.files[name] = f
		a.names = append(a.names, name)
	}
	slices.Sort(a.names)
	return nil
}

func (a archive) Names() []string { return a.names }
func (a archive) Open(name string) (io.ReadCloser, error) {
	f := a.files[name]
	if f == nil {
		return nil, fs.ErrNotExist
	}
	return f.Open()
}
func (a archive) Label() string  { return a.label }
func (a archive) SHA256() string { return a.sum }

type oneTable struct{ path, name, label, sum string }

// OpenImportTable reads one CSV file as a table; label is what its own name was.
func OpenImportTable(path, table, label string) (ImportSource, error) {
	sum, err := fileSum(path)
	return oneTable{path: path, name: strings.TrimSuffix(table, ".csv") + ".csv", label: label, sum: sum}, err
}

func (o oneTable) Names() []string                    { return []string{o.name} }
func (o oneTable) Open(string) (io.ReadCloser, error) { return os.Open(o.path) }
func (o oneTable) Label() string                      { return o.label }
func (o oneTable) SHA256() string                     { return o.sum }

func fileSum(path string) (string, error) {
	in, err := os.Open(path)
	if err != nil {
		return "", fault.New(fault.Invalid, fmt.Sprintf("%s cannot be read: %v", filepath.Base(path), plainError(err)))
	}
	defer in.Close()
	hash := sha256.New()
	if _, err := io.Copy(hash, in); err != nil {
		return "", fmt.Errorf("store: import: %w", err)
	}
	return hex.EncodeToString(hash.Sum(nil)), nil
}
