package material

import (
	"slices"
	"strings"
)

// Composition is what a material is made of. Empty means that nobody knows.
type Composition []Constituent

// Constituent is one substance of a composition. Its elements are chemical symbols. Those of a substance
// that the shipped list knows always count, whatever is written here; any other needs its own.
type Constituent struct {
	Name     string   `json:"name"`
	Elements []string `json:"elements,omitempty"`
}

// Of is a composition of substances by name.
func Of(names ...string) Composition {
	c := make(Composition, len(names))
	for i, name := range names {
		c[i] = Constituent{Name: name}
	}
	return c
}

// Known says whether anybody knows what it is made of: the shipped list, or who wrote its elements down.
func (c Constituent) Known() bool { return len(c.Contains()) > 0 }

// Contains are the elements in it: what the shipped list knows of it, and what is written.
func (c Constituent) Contains() []string {
	var all []string
	if s, ok := substanceOf(c.Name); ok {
		all = slices.Clone(s.Elements)
	}
	for _, e := range c.Elements {
		if e = strings.TrimSpace(e); e != "" && !slices.Contains(all, e) {
			all = append(all, e)
		}
	}
	return all
}

// halogens by symbol. A copper-wire test does not show fluorine, so a composition has to name it.
var halogens = map[string]string{"F": "fluorine", "Cl": "chlorine", "Br": "bromine", "I": "iodine", "At": "astatine"}

// toxic are the elements that no beam may drive into the air: lists of cutting shops (beryllium), the
// others from memory.
var toxic = map[string]string{"Be": "beryllium", "Cd": "cadmium", "Pb": "lead", "As": "arsenic", "Hg": "mercury"}

// halogenWords tell a halogen in a name that the shipped list does not know. A word can only forbid.
var halogenWords = []struct{ part, halogen string }{
	{"fluor", "fluorine"}, {"chlor", "chlorine"}, {"brom", "bromine"}, {"iod", "iodine"}, {"pvc", "chlorine"},
	{"vinyl chl", "chlorine"}, {"ptfe", "fluorine"}, {"pvdf", "fluorine"}, {"neoprene", "chlorine"},
}

// Halogen names the halogen in the substance, empty for none that is known.
func (c Constituent) Halogen() string {
	for _, e := range c.Contains() {
		if name, ok := halogens[e]; ok {
			return name
		}
	}
	name := strings.ToLower(c.Name)
	for _, w := range halogenWords {
		if strings.Contains(name, w.part) {
			return w.halogen
		}
	}
	return ""
}

// forbidden says why the substance may not go under a beam besides for a halogen, empty where it may.
func (c Constituent) forbidden() string {
	for _, e := range c.Contains() {
		if name, ok := toxic[e]; ok {
			return "it holds " + name
		}
	}
	if s, ok := substanceOf(c.Name); ok {
		return s.Forbidden
	}
	return ""
}

// Words are the substances' names, for people.
func (c Composition) Words() string {
	names := make([]string, len(c))
	for i, x := range c {
		names[i] = x.Name
	}
	return strings.Join(names, ", ")
}

// symbols are the chemical elements up to bismuth, with thorium and uranium (IUPAC).
const symbols = " H He Li Be B C N O F Ne Na Mg Al Si P S Cl Ar K Ca Sc Ti V Cr Mn Fe Co Ni Cu Zn Ga Ge As Se Br Kr Rb Sr Y Zr Nb Mo Tc Ru Rh Pd" +
	" Ag Cd In Sn Sb Te I Xe Cs Ba La Ce Pr Nd Pm Sm Eu Gd Tb Dy Ho Er Tm Yb Lu Hf Ta W Re Os Ir Pt Au Hg Tl Pb Bi Po At Rn Th U "

// IsElement says whether text is the symbol of a chemical element.
func IsElement(text string) bool {
	return text != "" && !strings.Contains(text, " ") && strings.Contains(symbols, " "+text+" ")
}
