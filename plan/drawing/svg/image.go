package svg

import (
	"encoding/base64"
	"errors"
	"fmt"
	"math"
	"net/url"
	"strings"

	"kerfgate/plan/drawing"
	"kerfgate/plan/drawing/raster"
)

// grey is a decoded picture.
type grey struct {
	width, height int
	pixels        []uint8
}

// image places an embedded picture (SVG 2 §12.1).
func (r *reader) image(n *element, s state) error {
	if !s.style.visible && r.measuring == 0 {
		return nil
	}
	picture, err := r.decode(n)
	if err != nil || picture.width == 0 {
		return err
	}
	var place [4]float64 // x, y, width, height
	var written [4]bool
	for i, name := range []string{"x", "y", "width", "height"} {
		if place[i], written[i], err = r.lengthOrAuto(n, s, name, geometry[name], 0); err != nil {
			return err
		}
	}
	w, h := float64(picture.width), float64(picture.height) // without a size, a pixel is a user unit
	switch {
	case written[2] && written[3]:
		w, h = place[2], place[3]
	case written[2]:
		w, h = place[2], h/w*place[2]
	case written[3]:
		w, h = w/h*place[3], place[3]
	}
	if !(w > 0 && h > 0) {
		r.notice(n, "delete it", "an image without size is not drawn")
		return nil
	}
	m := s.to.then(translation(place[0], place[1])).then(r.fit(n, 0, 0, float64(picture.width), float64(picture.height), w, h))
	m = r.crop(n, &picture, m, s.to.then(translation(place[0], place[1])), w, h)
	return r.addPicture(n, s, picture, m)
}

// addPicture adds a picture; m maps pixels to mm.
func (r *reader) addPicture(n *element, s state, picture grey, m matrix) error {
	// A picture counts with each of its places: every one is engraved, and held in memory till then.
	if r.pixels += len(picture.pixels); r.pixels > r.limits.Pixels {
		return &drawing.Refusal{What: "the drawing's pictures have too many pixels", Next: "scale them down",
			Limit: fmt.Sprintf("%d pixels", r.limits.Pixels), Value: "more", Place: n.place()}
	}
	p := drawing.Picture{
		Layer: s.layer, Place: n.place(), Width: picture.width, Height: picture.height, Grey: picture.pixels,
		Origin: vec(m.e, m.f), Right: vec(m.a, m.b), Down: vec(m.c, m.d),
	}
	frame := drawing.Path{Closed: true}
	corners := pictureCorners(p)
	frame.Start = corners[0]
	for _, c := range corners[1:] {
		frame.Segments = append(frame.Segments, drawing.Segment{To: c})
	}
	if err := r.place(n, &frame, identity); err != nil {
		return err
	}
	r.reach(n, []drawing.Path{frame})
	r.drawing.Pictures = append(r.drawing.Pictures, p)
	return nil
}

// decode gives the embedded picture of an element; one without width is named and not read.
func (r *reader) decode(n *element) (grey, error) {
	if g, ok := r.pictures[n]; ok {
		return g, nil
	}
	href := strings.TrimSpace(n.attrs["href"])
	kind, data, err := readDataURI(href)
	switch {
	case href == "":
		r.notice(n, "restore or delete it", "an image refers to nothing")
		return grey{}, nil
	case errors.Is(err, errOutside):
		r.notice(n, "embed the image in the drawing", "an image lies outside the drawing (%.80q) and is not read", href)
		return grey{}, nil
	case err != nil:
		r.notice(n, "embed it again", "an image's data is broken: %v", err)
		return grey{}, nil
	case !raster.Is(data):
		if len(kind) == 0 {
			kind = "unknown type"
		}
		r.notice(n, "turn it into paths, or into a PNG or JPEG picture", "an image of the type %.40q is not read", kind)
		return grey{}, nil
	}
	var g grey
	g.width, g.height, g.pixels, err = raster.Grey(data, r.limits)
	var refusal *drawing.Refusal
	if errors.As(err, &refusal) && refusal.Place == "" {
		refusal.Place = n.place()
	}
	if err != nil {
		return grey{}, err
	}
	r.pictures[n] = g
	return g, nil
}

var errOutside = errors.New("not embedded")

// readDataURI reads a "data:" address (RFC 2397).
func readDataURI(href string) (kind string, data []byte, err error) {
	if len(href) < 5 || !strings.EqualFold(href[:5], "data:") {
		return "", nil, errOutside
	}
	head, body, ok := strings.Cut(href[5:], ",")
	if !ok {
		return "", nil, errors.New("it has no comma")
	}
	kind, _, _ = strings.Cut(head, ";")
	if strings.Contains(body, "%") {
		if body, err = url.PathUnescape(body); err != nil {
			return kind, nil, err
		}
	}
	if !strings.HasSuffix(strings.ToLower(strings.TrimSpace(head)), "base64") {
		return kind, []byte(body), nil
	}
	body = strings.Map(func(c rune) rune {
		if strings.ContainsRune(" \t\r\n\f=", c) {
			return -1
		}
		return c
	}, body)
	data, err = base64.RawStdEncoding.DecodeString(body)
	return kind, data, err
}

// crop cuts off what lies outside the frame of w × h, as "slice" leaves it: the pixels whose middle
// lies inside stay. pixels maps pixels, frame the frame's coordinates; only along the pixels' rows
// and columns can they differ. It gives the new map of the pixels.
func (r *reader) crop(n *element, g *grey, pixels, frame matrix, w, h float64) matrix {
	back, ok := frame.inverse()
	if !ok || !r.aspect(n).slice {
		return pixels
	}
	inFrame := back.then(pixels)
	keep := func(first, size float64, count int, side float64) (int, int) {
		from := math.Ceil(-first/size - 0.5 - 1e-9)
		to := math.Floor((side-first)/size-0.5+1e-9) + 1
		return int(max(0, from)), int(min(float64(count), to))
	}
	x0, x1 := keep(inFrame.e, inFrame.a, g.width, w)
	y0, y1 := keep(inFrame.f, inFrame.d, g.height, h)
	if x0 >= x1 || y0 >= y1 {
		return pixels
	}
	cut := make([]uint8, 0, (x1-x0)*(y1-y0))
	for y := y0; y < y1; y++ {
		cut = append(cut, g.pixels[y*g.width+x0:y*g.width+x1]...)
	}
	g.width, g.height, g.pixels = x1-x0, y1-y0, cut
	return pixels.then(translation(float64(x0), float64(y0)))
}
