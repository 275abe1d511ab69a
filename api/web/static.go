package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
	"sync"
)

//go:embed static
var staticFiles embed.FS

// StaticPrefix is where StaticHandler expects to be mounted.
const StaticPrefix = "/static/"

type staticFile struct {
	plain, packed []byte
	kind          string
	version       string // first digits of the SHA-256 of the content
}

var static = sync.OnceValue(func() map[string]staticFile {
	files := map[string]staticFile{}
	err := fs.WalkDir(staticFiles, "static", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := staticFiles.ReadFile(name)
		if err != nil {
			return err
		}
		var packed bytes.Buffer
		z, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
		if err != nil {
			return err
		}
		if _, err := z.Write(data); err != nil {
			return err
		}
		if err := z.Close(); err != nil {
			return err
		}
		kind := mime.TypeByExtension(path.Ext(name))
		switch path.Ext(name) {
		case ".js":
			kind = "text/javascript; charset=utf-8"
		case ".css":
			kind = "text/css; charset=utf-8"
		case ".svg":
			kind = "image/svg+xml"
		case ".LICENSE":
			kind = "text/plain; charset=utf-8"
		}
		sum := sha256.Sum256(data)
		files[strings.TrimPrefix(name, "static/")] = staticFile{
			plain: data, packed: packed.Bytes(), kind: kind, version: hex.EncodeToString(sum[:6]),
		}
		return nil
	})
	if err != nil {
		panic(err) // embedded files are part of the program
	}
	return files
})

// StaticPath is the address of an embedded file with its version, so that browsers may keep it.
// It is an error to ask for a file that does not exist.
func StaticPath(name string) (string, error) {
	f, ok := static()[name]
	if !ok {
		return "", fmt.Errorf("no static file %q", name)
	}
	return StaticPrefix + name + "?v=" + f.version, nil
}

// StaticHandler serves the embedded files under StaticPrefix, compressed where the browser takes it.
func StaticHandler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			http.Error(w, "only GET and HEAD", http.StatusMethodNotAllowed)
			return
		}
		f, ok := static()[strings.TrimPrefix(r.URL.Path, StaticPrefix)]
		if !ok {
			http.NotFound(w, r)
			return
		}
		h := w.Header()
		h.Set("Content-Type", f.kind)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Vary", "Accept-Encoding")
		h.Set("Cache-Control", "no-cache")
		if r.URL.Path == StaticPrefix+"keeper.js" {
			h.Set("Service-Worker-Allowed", "/station/")
		}
		if r.URL.Query().Get("v") == f.version {
			h.Set("Cache-Control", "public, max-age=31536000, immutable")
		}
		body, tag := f.plain, `"`+f.version+`"`
		if acceptsGzip(r.Header.Get("Accept-Encoding")) {
			body, tag = f.packed, `"`+f.version+`-gzip"`
			h.Set("Content-Encoding", "gzip")
		}
		h.Set("ETag", tag)
		if r.Header.Get("If-None-Match") == tag {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		h.Set("Content-Length", fmt.Sprint(len(body)))
		if r.Method == http.MethodGet {
			_, _ = w.Write(body) // the client may be gone
		}
	})
}

// acceptsGzip reads Accept-Encoding (RFC 9110 section 12.5.3) as far as gzip goes.
func acceptsGzip(header string) bool {
	for part := range strings.SplitSeq(header, ",") {
		name, params, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.EqualFold(strings.TrimSpace(name), "gzip") {
			q := strings.ReplaceAll(params, " ", "")
			return q != "q=0" && !strings.HasPrefix(q, "q=0.000") || q == ""
		}
	}
	return false
}
