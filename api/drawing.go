package api

import (
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"
	"unicode"

	"kerfgate/api/wire"
	"kerfgate/db"
	"kerfgate/plan"
)

// ReceiveDrawing is POST /drawings.
func (s *Server) ReceiveDrawing(ctx context.Context, request wire.ReceiveDrawingRequestObject) (wire.ReceiveDrawingResponseObject, error) {
	name := ""
	if request.Params.Name != nil {
		name = *request.Params.Name
	}
	body := request.Body
	if request.MultipartBody != nil {
		part, err := filePart(request.MultipartBody)
		if err != nil {
			return nil, err
		}
		if body = part; name == "" {
			name = part.FileName()
		}
	}
	if body == nil {
		return nil, errMediaType
	}
	data, err := readDrawing(body)
	if err != nil {
		return nil, err
	}
	d, err := s.store.ReceiveDrawing(ctx, actorIn(ctx), fileName(name), data)
	if err != nil {
		return nil, err
	}
	return wire.ReceiveDrawing201JSONResponse(drawingShape(d)), nil
}

// GetDrawing is GET /drawings/{id}.
func (s *Server) GetDrawing(ctx context.Context, request wire.GetDrawingRequestObject) (wire.GetDrawingResponseObject, error) {
	d, err := s.store.Drawing(ctx, actorIn(ctx), request.ID)
	if err != nil {
		return nil, err
	}
	return wire.GetDrawing200JSONResponse(drawingShape(d)), nil
}

// GetDrawingOriginal is GET /drawings/{id}/original. A drawing is hostile: it leaves only as a
// download that no browser runs.
func (s *Server) GetDrawingOriginal(ctx context.Context, request wire.GetDrawingOriginalRequestObject) (wire.GetDrawingOriginalResponseObject, error) {
	d, err := s.store.Drawing(ctx, actorIn(ctx), request.ID)
	if err != nil {
		return nil, err
	}
	data, err := s.store.DrawingData(ctx, actorIn(ctx), request.ID)
	if err != nil {
		return nil, err
	}
	return original{name: d.FileName, data: data}, nil
}

type original struct {
	name string
	data []byte
}

// VisitGetDrawingOriginalResponse writes the download.
func (o original) VisitGetDrawingOriginalResponse(w http.ResponseWriter) error {
	w.Header().Set("Content-Security-Policy", sandboxPolicy)
	disposition := attachment(o.name)
	return wire.GetDrawingOriginal200ApplicationOctetStreamResponse{
		Body: bytes.NewReader(o.data), ContentLength: int64(len(o.data)),
		Headers: wire.GetDrawingOriginal200ResponseHeaders{ContentDisposition: &disposition},
	}.VisitGetDrawingOriginalResponse(w)
}

// filePart finds the field "file" of a form.
func filePart(form *multipart.Reader) (*multipart.Part, error) {
	for {
		part, err := form.NextPart()
		switch {
		case errors.Is(err, io.EOF):
			return nil, invalid("file", "the form has no file", "choose a drawing")
		case err != nil:
			return nil, readProblem(err)
		case part.FormName() == "file":
			return part, nil
		}
	}
}

// readDrawing reads at most 32 MiB and looks whether it is a drawing at all, so that a page or an
// archive under a drawing's name is not kept.
func readDrawing(body io.Reader) ([]byte, error) {
	data, err := readBounded(body, drawingLimit)
	if err != nil {
		return nil, readProblem(err)
	}
	format, reason, ok := plan.FormatOf(data)
	switch {
	case !ok:
		return nil, invalid("file", reason.What, reason.Next)
	case format == plan.SVG && !isSVG(data):
		return nil, invalid("file", "the file is no SVG drawing", "save the drawing as plain SVG, uncompressed")
	}
	return data, nil
}

// isSVG says whether the first element is an svg. The rest is the planner's to judge.
func isSVG(data []byte) bool {
	dec := xml.NewDecoder(bytes.NewReader(data[:min(len(data), mib)]))
	dec.CharsetReader = func(_ string, r io.Reader) (io.Reader, error) { return r, nil }
	for {
		token, err := dec.RawToken()
		if err != nil {
			return false
		}
		if start, ok := token.(xml.StartElement); ok {
			return start.Name.Local == "svg"
		}
	}
}

// longestName bounds a file's name in characters.
const longestName = 120

// fileName makes a name fit to be kept and shown: the last part of a path, without control
// characters and marks that turn the reading direction.
func fileName(name string) string {
	name = name[strings.LastIndexAny(name, `/\`)+1:]
	var b strings.Builder
	n := 0
	for _, r := range strings.ToValidUTF8(name, "") {
		if unicode.Is(unicode.C, r) || unicode.Is(unicode.Bidi_Control, r) || unicode.Is(unicode.Zl, r) || unicode.Is(unicode.Zp, r) {
			continue
		}
		if n++; n > longestName {
			break
		}
		b.WriteRune(r)
	}
	name = strings.Trim(b.String(), " .")
	if name == "" {
		return "drawing"
	}
	return name
}

// attachment is a Content-Disposition (RFC 6266): a plain name for old readers, the real one after
// RFC 8187.
func attachment(name string) string {
	name = fileName(name)
	plain := strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' || strings.ContainsRune(`"\%;`, r) {
			return '_'
		}
		return r
	}, name)
	return fmt.Sprintf(`attachment; filename="%s"; filename*=UTF-8''%s`, plain,
		strings.NewReplacer("+", "%20", "*", "%2A", "'", "%27", "(", "%28", ")", "%29").Replace(url.QueryEscape(name)))
}

func drawingShape(d db.Drawing) wire.Drawing {
	return wire.Drawing{ID: d.ID, Digest: d.Digest.String(), MemberID: d.Member, FileName: d.FileName,
		SizeBytes: d.Size, ReceivedAt: utc(d.ReceivedAt)}
}
