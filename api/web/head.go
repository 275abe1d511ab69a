package web

import (
	"encoding/base64"
	"encoding/hex"
	"html/template"
	"io"
	"strconv"
	"strings"
	"time"

	"kerfgate/api/qr"
)

// Head is a signed head of the logbook (C2SP checkpoint) as people keep it on paper.
type Head struct {
	Note      string // the whole text, which the code holds
	Origin    string
	Size      int64
	Root      string   // base64, as in the text
	Groups    []string // the root in eight groups of eight hexadecimal digits, to read aloud
	KeyName   string
	KeyID     string // eight hexadecimal digits, as in the verifier key (C2SP signed-note)
	Signature string // base64 of the 64 bytes of Ed25519
	At        time.Time
	Code      template.HTML // QR; empty where the text is too long for one
}

// HeadOf takes a signed head apart for reading; what of it cannot be read stays empty. It verifies nothing.
func HeadOf(note string, at time.Time) Head {
	h := Head{Note: note, At: at}
	if code, err := qr.Of(note); err == nil {
		h.Code = code.SVG("QR code of the signed head")
	}
	lines := strings.Split(note, "\n")
	if len(lines) < 5 {
		return h
	}
	h.Origin, h.Root = lines[0], lines[2]
	h.Size, _ = strconv.ParseInt(lines[1], 10, 64)
	if root, err := base64.StdEncoding.DecodeString(h.Root); err == nil && len(root) == 32 {
		digits := hex.EncodeToString(root)
		for i := 0; i < len(digits); i += 8 {
			h.Groups = append(h.Groups, digits[i:i+4]+" "+digits[i+4:i+8])
		}
	}
	name, signed, _ := strings.Cut(strings.TrimPrefix(lines[4], "— "), " ")
	if raw, err := base64.StdEncoding.DecodeString(signed); err == nil && len(raw) > 4 {
		h.KeyName, h.KeyID, h.Signature = name, hex.EncodeToString(raw[:4]), base64.StdEncoding.EncodeToString(raw[4:])
	}
	return h
}

// HeadView is the page of a head that is to be printed.
type HeadView struct {
	Shell
	Head
	MayCheck bool // a head from the paper book
}

// RenderHead writes the page.
func RenderHead(w io.Writer, v HeadView) error { return render(w, "head", "frame", v) }

// HeadCheckView is the page on which a head that was kept is held against the logbook.
type HeadCheckView struct {
	Shell
	Text  string // as it was given
	Found *HeadFound
}

// HeadFound is what a head came to.
type HeadFound struct {
	Origin    string
	Size, Now int64 // entries then and now
	Good      bool
	Shorter   bool // the logbook holds fewer entries than it did then
	Cut       bool // it was signed before a restore
}

// RenderHeadCheck writes the page.
func RenderHeadCheck(w io.Writer, v HeadCheckView) error { return render(w, "head-check", "frame", v) }
