package dxf

// A clip lies in an object of its own, SPATIAL_FILTER, which names its owner: a dictionary, whose owner's owner
// in turn is the insert that is clipped (group 330 of each, outside the notes of applications).

// clips are what the objects say of clips, by the handles that they name.
type clips struct {
	owner   map[string]string // of dictionaries
	filters []filter
	told    map[string]bool // inserts that are clipped; true once one is met
	object  filter          // the one being read
	is      string          // its kind; empty where it plays no part
	handle  string
	braces  bool
}

// filter is a clip and what holds it.
type filter struct {
	line  int
	owner string
}

// mostOwners is how many dictionaries stand between an insert and its clip at most; the format's reference has two.
const mostOwners = 8

// group takes the next group of the file.
func (c *clips) group(g group, most int) {
	switch {
	case g.code == 0:
		c.end(most)
		if g.is("SPATIAL_FILTER") {
			c.is = "SPATIAL_FILTER"
		} else if g.is("DICTIONARY") {
			c.is = "DICTIONARY"
		}
		c.object, c.handle, c.braces = filter{line: g.line}, "", false
	case c.is == "":
	case g.code == 102:
		c.braces = len(g.value) > 0 && g.value[0] == '{'
	case g.code == 5 && c.handle == "":
		c.handle = handle(g.value)
	case g.code == 330 && !c.braces && c.object.owner == "":
		c.object.owner = handle(g.value)
	}
}

// end takes the object into account that was read; of more than most dictionaries it keeps that many.
func (c *clips) end(most int) {
	switch {
	case c.is == "SPATIAL_FILTER" && len(c.filters) < most:
		c.filters = append(c.filters, c.object)
	case c.is == "DICTIONARY" && c.handle != "" && len(c.owner) < most:
		if c.owner == nil {
			c.owner = map[string]string{}
		}
		c.owner[c.handle] = c.object.owner
	}
	c.is = ""
}

// insert is the handle of what a filter clips; empty where the file does not say.
func (c *clips) insert(f filter) string {
	at := f.owner
	for range mostOwners {
		next, ok := c.owner[at]
		if !ok {
			return at
		}
		at = next
	}
	return ""
}

// settle finds what is clipped.
func (c *clips) settle() {
	c.told = map[string]bool{}
	for _, f := range c.filters {
		if at := c.insert(f); at != "" {
			c.told[at] = false
		}
	}
}

// clipped says whether an insert has a clip.
func (c *clips) clipped(handle string) bool {
	_, ok := c.told[handle]
	if ok {
		c.told[handle] = true
	}
	return ok
}

const (
	clipWhat = "an insert's clip is not applied: the whole block is taken"
	clipNext = "cut the block's lines where the clip ends"
)

// noteClips names the clips of which the file does not say what they clip, at their own places.
func (r *reader) noteClips() {
	for _, f := range r.clips.filters {
		if !r.clips.told[r.clips.insert(f)] {
			r.note("SPATIAL_FILTER", f.line, clipNext, clipWhat)
		}
	}
}
