package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
)

//go:embed static
var staticFiles embed.FS

// static serves the page's files. All of them live under one address that contains the hash of the
// whole tree, so that a browser may keep them for ever and never mixes two versions.
type static struct {
	hash  string
	files map[string][]byte
	small map[string][]byte // text files, compressed
	page  []byte
}

func newStatic() *static {
	s := &static{files: map[string][]byte{}, small: map[string][]byte{}}
	sum := sha256.New()
	// The tree is embedded: it is there and readable, in lexical order.
	_ = fs.WalkDir(staticFiles, "static", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := staticFiles.ReadFile(p)
		name := strings.TrimPrefix(p, "static/")
		s.files[name] = b
		if path.Ext(name) != ".woff2" {
			s.small[name] = squeezed(b)
		}
		sum.Write([]byte(name))
		sum.Write(b)
		return err
	})
	s.hash = hex.EncodeToString(sum.Sum(nil))[:16]
	s.page = bytes.ReplaceAll(s.files["index.html"], []byte("{{hash}}"), []byte(s.hash))
	return s
}

// types are those of the tree; the system's own table differs between machines.
var types = map[string]string{
	".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml",
	".html": "text/html; charset=utf-8", ".woff2": "font/woff2", ".txt": "text/plain; charset=utf-8",
}

func (s *static) serve(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("file")
	b, ok := s.files[name]
	if !ok || r.PathValue("hash") != s.hash {
		http.Error(w, "not found: load the page again", http.StatusNotFound)
		return
	}
	t := types[path.Ext(name)]
	if t == "" {
		t = mime.TypeByExtension(path.Ext(name))
	}
	w.Header().Set("Content-Type", t)
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	w.Header().Set("Vary", "Accept-Encoding")
	if small := s.small[name]; small != nil && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		w.Header().Set("Content-Encoding", "gzip")
		b = small
	}
	_, _ = w.Write(b) // nobody left to be told if the connection broke
}

// squeezed compresses with gzip; a Buffer takes everything.
func squeezed(b []byte) []byte {
	var out bytes.Buffer
	z, _ := gzip.NewWriterLevel(&out, gzip.BestCompression)
	_, _ = z.Write(b)
	_ = z.Close()
	return out.Bytes()
}

// shell is the one page of all screens; the address says which of them its script shows.
func (s *static) shell(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-cache")
	_, _ = w.Write(s.page)
}

// nowhere is that page under an address that has no screen: its script says so.
func (s *static) nowhere(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-cache")
	w.WriteHeader(http.StatusNotFound)
	_, _ = w.Write(s.page)
}

func (s *static) icon(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "image/svg+xml")
	_, _ = w.Write(s.files["icon.svg"])
}
