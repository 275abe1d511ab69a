package plan

import (
	"io"
	"iter"
	"sync/atomic"

	"kerfgate/plan/canon"
	"kerfgate/plan/geom"
)

// strokesKey is the name under which a plan's strokes are encoded.
const strokesKey = "strokes"

// source is where the strokes of a plan lie that are read as they are needed.
type source struct {
	from   io.ReaderAt
	at     int64
	size   int64
	count  uint64
	cover  cover
	failed atomic.Pointer[error]
}

// Open reads an encoded plan without holding its strokes: Each reads them, one at a time, from r, which
// must stay open and unchanged. All of them are read once to see that they can be. Errors: the form's, and
// those of reading.
func Open(r io.ReaderAt, size int64) (*Plan, error) {
	fields, at, err := canon.Count(r, 0, canon.Map)
	if err != nil {
		return nil, err
	}
	var rest [][2][]byte
	var strokes *source
	items := canon.ItemsAt(r, at, size)
	for range fields {
		key, err := items.Raw()
		if err != nil {
			return nil, err
		}
		var name string
		if err := canon.Unmarshal(key, &name); err != nil {
			return nil, err
		}
		if name != strokesKey {
			value, err := items.Raw()
			if err != nil {
				return nil, err
			}
			rest = append(rest, [2][]byte{key, value})
			continue
		}
		if strokes != nil {
			return nil, canon.ErrForm
		}
		strokes = &source{from: r, size: size}
		if strokes.count, strokes.at, err = canon.Count(r, items.At(), canon.Array); err != nil {
			return nil, err
		}
		items = canon.ItemsAt(r, strokes.at, size)
		for range strokes.count {
			var s Stroke
			if err := items.Next(&s); err != nil {
				return nil, err
			}
			strokes.cover.add(s)
		}
	}
	if strokes == nil || items.At() != size {
		return nil, canon.ErrForm
	}
	head, err := canon.MapOf(rest)
	if err != nil {
		return nil, err
	}
	p := &Plan{stored: strokes}
	return p, canon.Unmarshal(head, p)
}

// Each gives the strokes in running order. Those of a plan that was opened are read as they are asked for;
// where that fails they end early, and Err says why.
func (p *Plan) Each() iter.Seq[Stroke] {
	return func(yield func(Stroke) bool) {
		if p.stored == nil {
			for _, s := range p.Strokes {
				if !yield(s) {
					return
				}
			}
			return
		}
		items := canon.ItemsAt(p.stored.from, p.stored.at, p.stored.size)
		for range p.stored.count {
			var s Stroke
			if err := items.Next(&s); err != nil {
				p.stored.failed.Store(&err)
				return
			}
			if !yield(s) {
				return
			}
		}
	}
}

// Cover is the smallest box around everywhere that the strokes lead the carriage, and that around what they
// mark, in the plan's coordinates; ok is false where there is no stroke. Of a plan that was opened it is
// known without reading it again.
func (p *Plan) Cover() (way, marked geom.Box, ok bool) {
	c := cover{}
	if p.stored != nil {
		c = p.stored.cover
	}
	for _, s := range p.Strokes {
		c.add(s)
	}
	return c.way, c.marked, c.any
}

type cover struct {
	way, marked geom.Box
	any         bool
}

func (c *cover) add(s Stroke) {
	if !c.any && len(s.Points) > 0 {
		c.way = geom.Box{Min: s.Points[0], Max: s.Points[0]}
		c.marked, c.any = c.way, true
		if parts := s.Marked(); len(parts) > 0 && len(parts[0]) > 0 {
			c.marked = geom.Box{Min: parts[0][0], Max: parts[0][0]}
		}
	}
	for _, q := range s.Points {
		c.way = c.way.With(q)
	}
	for _, part := range s.Marked() {
		for _, q := range part {
			c.marked = c.marked.With(q)
		}
	}
}

// Err is why Each ended early; nil when it never did.
func (p *Plan) Err() error {
	if p.stored != nil {
		if err := p.stored.failed.Load(); err != nil {
			return *err
		}
	}
	return nil
}
