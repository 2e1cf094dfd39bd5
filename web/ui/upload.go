package ui

import (
	"bytes"
	"crypto/sha256"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"time"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// May tells whether the person holds a right.
func (r *Request) May(right access.Right) bool { return access.May(r.Who.Role, right) }

// NotFound answers every URL that is none of ours.
func NotFound(*Request) error { return fault.New(fault.NotFound, "There is no such page.") }

var errUpload = fault.New(fault.Invalid, "Choose a PDF, JPEG or PNG; the file's content has to be what its name says.")

// Uploads reads the files of a field. Name and content have to agree; pictures are drawn anew, which drops whatever
// else the file carried (place, camera, hidden text).
func (r *Request) Uploads(field, kind string) ([]store.Upload, error) {
	if r.HTTP.MultipartForm == nil {
		return nil, nil
	}
	var out []store.Upload
	for _, header := range r.HTTP.MultipartForm.File[field] {
		if header.Size == 0 && header.Filename == "" {
			continue
		}
		if header.Size > store.DocumentMost {
			return nil, fault.New(fault.Invalid, "A file may have up to 10 MB.")
		}
		file, err := header.Open()
		if err != nil {
			return nil, fault.New(fault.Invalid, "The file could not be read. Choose it again.")
		}
		data, err := io.ReadAll(io.LimitReader(file, store.DocumentMost+1))
		file.Close()
		if err != nil {
			return nil, fault.New(fault.Invalid, "The file could not be read. Choose it again.")
		}
		u := store.Upload{Kind: kind, Name: FileName(header.Filename)}
		r.house.pictures.Lock()
		u.MediaType, u.Data, err = clean(u.Name, data)
		r.house.pictures.Unlock()
		if err != nil {
			return nil, err
		}
		out = append(out, u)
	}
	return out, nil
}

// EntryWith is the form's entry with the files it carried: the same form sent with another file is another entry.
func (r *Request) EntryWith(files []store.Upload) (store.Entry, error) {
	entry, err := r.Entry()
	if err != nil || len(files) == 0 {
		return entry, err
	}
	// Files are large for the database and slow to read: some a minute are a person's, more are not.
	if err := r.Throttle("upload:"+store.Text(r.Who.Person), 60, 10*time.Minute); err != nil {
		return entry, err
	}
	h := sha256.New()
	h.Write(entry.Payload[:])
	for _, file := range files {
		sum := sha256.Sum256(file.Data)
		h.Write(sum[:])
	}
	h.Sum(entry.Payload[:0])
	return entry, nil
}

// FileName keeps the last part of a name, without what a file system could trip over.
func FileName(name string) string {
	name = filepath.Base(strings.ReplaceAll(name, `\`, "/"))
	name = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || strings.ContainsRune(`/\:*?"<>|`, r) {
			return '_'
		}
		return r
	}, name)
	if r := []rune(name); len(r) > 120 {
		name = string(r[len(r)-120:])
	}
	return name
}

// mostPixels stops a small file that unfolds into a huge picture.
const mostPixels = 40_000_000

func clean(name string, data []byte) (mediaType string, out []byte, err error) {
	ext := strings.ToLower(filepath.Ext(name))
	sniffed := http.DetectContentType(data)
	switch {
	case ext == ".pdf" && sniffed == "application/pdf":
		return sniffed, data, nil
	case (ext == ".jpg" || ext == ".jpeg") && sniffed == "image/jpeg", ext == ".png" && sniffed == "image/png":
		config, _, err := image.DecodeConfig(bytes.NewReader(data))
		if err != nil || config.Width*config.Height > mostPixels {
			return "", nil, errUpload
		}
		img, _, err := image.Decode(bytes.NewReader(data))
		if err != nil {
			return "", nil, errUpload
		}
		var again bytes.Buffer
		if sniffed == "image/png" {
			err = png.Encode(&again, img)
		} else {
			err = jpeg.Encode(&again, img, &jpeg.Options{Quality: 90})
		}
		return sniffed, again.Bytes(), err
	}
	return "", nil, errUpload
}
