package api

import (
	"bytes"
	"compress/gzip"
	"encoding/base64"
	"encoding/binary"
	"hash/crc32"
	"io"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"kerfgate/api/wire"
)

// hugePNG says that it is width × height pixels and holds none of them; it is whole by its checksums
// (PNG specification, third edition, 5.3 and 11.2).
func hugePNG(width, height uint32) []byte {
	var b bytes.Buffer
	b.WriteString("\x89PNG\r\n\x1a\n")
	chunk := func(name string, data []byte) {
		part := append([]byte(name), data...)
		b.Write(binary.BigEndian.AppendUint32(nil, uint32(len(data))))
		b.Write(part)
		b.Write(binary.BigEndian.AppendUint32(nil, crc32.ChecksumIEEE(part)))
	}
	size := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, width), height)
	chunk("IHDR", append(size, 8, 6, 0, 0, 0))
	chunk("IDAT", []byte{0x78, 0x9c, 3, 0, 0, 0, 0, 1})
	chunk("IEND", nil)
	return b.Bytes()
}

// TestS16_CompressedInput: nothing is unpacked before its unpacked size is known. 64 MiB of blanks in 64 KiB of gzip are
// refused as a drawing and as a body; a picture of 50,000 × 50,000 pixels is refused by its header, as a drawing, inside
// a drawing and as a photo.
func TestS16_CompressedInput(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	token := w.signedIn(t, w.Member)
	var bomb bytes.Buffer
	z := gzip.NewWriter(&bomb)
	if _, err := io.Copy(z, &endless{left: 64 << 20}); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	picture := hugePNG(50_000, 50_000)
	before := totalAlloc()
	w.as(t, token, http.MethodPost, "/drawings?name=x.svgz", bomb.String(), http.StatusUnprocessableEntity, nil, "Content-Type", "image/svg+xml")
	w.as(t, token, http.MethodPost, "/drawings?name=x.svg", bomb.String(), http.StatusUnprocessableEntity, nil, "Content-Type", "image/svg+xml", "Content-Encoding", "gzip")
	planned := func(name, data string) {
		t.Helper()
		var d wire.Drawing
		w.as(t, token, http.MethodPost, "/drawings?name="+name, data, http.StatusCreated, &d, "Content-Type", "image/svg+xml")
		rec := w.as(t, token, http.MethodPost, "/plans", w.choice(d.ID), http.StatusUnprocessableEntity, nil)
		if !strings.Contains(rec.Body.String(), "50000 × 50000") {
			t.Errorf("%s: %s", name, rec.Body)
		}
	}
	planned("x.png", string(picture))
	planned("x.svg", `<svg xmlns="http://www.w3.org/2000/svg" width="50mm" height="50mm" viewBox="0 0 50 50"><image width="50" height="50" href="data:image/png;base64,`+
		base64.StdEncoding.EncodeToString(picture)+`"/></svg>`)
	if _, err := ownPhoto(bytes.NewReader(picture)); err == nil {
		t.Error("a photo of 50,000 × 50,000 pixels was taken")
	}
	if grown := totalAlloc() - before; grown > 256<<20 {
		t.Errorf("%d MiB were allocated", grown>>20)
	}
}

// TestS22_NothingIsFetched: whatever a drawing points to, the server asks nobody: a listener whose address stands
// in every place that could be followed hears nothing, and what lies in the server's own files is not read.
func TestS22_NothingIsFetched(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var heard atomic.Int64
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			heard.Add(1)
			_ = c.Close()
		}
	}()
	w := newWorkshop(t)
	token := w.signedIn(t, w.Member)
	at := "http://" + l.Addr().String() + "/x"
	for name, drawing := range map[string]string{
		"references": `<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="50mm" height="50mm" viewBox="0 0 50 50">
			<style>@import url("` + at + `.css"); path { fill: url("` + at + `#a"); mask: url("` + at + `") }</style>
			<image width="5" height="5" href="` + at + `.png"/><image width="5" height="5" xlink:href="file:///etc/hostname"/>
			<image width="5" height="5" href="http://169.254.169.254/latest"/><use href="` + at + `.svg#a"/><use xlink:href="//` + l.Addr().String() + `/x.svg#a"/>
			<a href="` + at + `"><rect x="1" y="1" width="20" height="20" fill="none" stroke="black"/></a></svg>`,
		"style sheet": `<?xml-stylesheet href="` + at + `.css" type="text/css"?><svg xmlns="http://www.w3.org/2000/svg" width="50mm" height="50mm" viewBox="0 0 50 50">
			<rect x="1" y="1" width="20" height="20" fill="none" stroke="black"/></svg>`,
		"doctype": `<!DOCTYPE svg SYSTEM "` + at + `.dtd"><svg xmlns="http://www.w3.org/2000/svg" width="50mm" height="50mm" viewBox="0 0 50 50">
			<rect x="1" y="1" width="20" height="20" fill="none" stroke="black"/></svg>`,
		"entity": `<!DOCTYPE svg [<!ENTITY a SYSTEM "` + at + `">]><svg xmlns="http://www.w3.org/2000/svg" width="50mm" height="50mm" viewBox="0 0 50 50">
			<text>&a;</text><rect x="1" y="1" width="20" height="20" fill="none" stroke="black"/></svg>`,
	} {
		var d wire.Drawing
		w.as(t, token, http.MethodPost, "/drawings?name=x.svg", drawing, http.StatusCreated, &d, "Content-Type", "image/svg+xml")
		rec := ask(t, w.s.Handler(), http.MethodPost, base+"/plans", token, w.choice(d.ID))
		if rec.Code != http.StatusOK && rec.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d %s", name, rec.Code, rec.Body)
		}
	}
	// The listener can hear: nothing else shows that nobody spoke.
	c, err := net.DialTimeout("tcp", l.Addr().String(), 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := c.Read(make([]byte, 1)); err == nil { // until it was accepted and closed
		t.Error("the listener spoke")
	}
	if n := heard.Load(); n != 1 {
		t.Errorf("%d connections came in beside the test's own", n-1)
	}
}
