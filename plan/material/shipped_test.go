package material

import (
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// published are the rows as they were gathered from workshop rules, papers and data sheets: number, name,
// composition, status, why, source. Codes stand for the sources that the list names.
func published(t *testing.T) [][]string {
	t.Helper()
	data, err := os.ReadFile("testdata/published.tsv")
	if err != nil {
		t.Fatal(err)
	}
	var rows [][]string
	for i, line := range strings.Split(strings.TrimSpace(string(data)), "\n") {
		if row := strings.Split(line, "\t"); i > 0 {
			rows = append(rows, row)
		}
	}
	return rows
}

var (
	as     = regexp.MustCompile(`\bas (\d+)\b`)
	status = map[byte]Verdict{'A': Allowed, 'C': WithCare, 'F': Forbidden}
	codes  = regexp.MustCompile(`\b(B9b|[BC]\d+|D1|M|list|2\.3|two cutting shops|a cutting shop|a chemistry forum|a vendor)\b`)
	// what a source's code or words say in the list
	named = map[string]string{
		"B5": "Muñoz", "B6": "Jeong", "B7": "International Laser Safety Conference 1990", "B8": "ICALEO 1986", "B9": "Journal of Laser Applications 1998",
		"B9b": "phenolic panels", "C12": "University of Texas", "C13": "Carnegie Mellon", "C19": "a list of materials", "C20": "community workshops",
		"C21": "Princeton", "D1": "data sheets of boards", "M": "from memory", "2.3": "ignition temperatures",
		"two cutting shops": "two cutting shops", "a cutting shop": "a cutting shop", "a chemistry forum": "chemistry forum", "a vendor": "vendor",
	}
)

// TestMaterials_ListIsThePublishedOne: each of the 52 rows ships as it was gathered: name, composition in
// words, verdict, reason, and every source that it names.
func TestMaterials_ListIsThePublishedOne(t *testing.T) {
	t.Parallel()
	rows := published(t)
	if len(rows) != 52 {
		t.Fatalf("%d rows", len(rows))
	}
	var expand func(no, column int) string
	expand = func(no, column int) string {
		return as.ReplaceAllStringFunc(rows[no-1][column], func(text string) string {
			n, _ := strconv.Atoi(as.FindStringSubmatch(text)[1])
			return expand(n, column)
		})
	}
	for i, row := range rows {
		no := int64(i + 1)
		l, ok := ListedAs(no)
		if !ok {
			t.Errorf("row %d does not ship", no)
			continue
		}
		want := status[row[3][0]]
		if strings.Contains(row[3], "else F") {
			want = Forbidden
		}
		if row[0] != strconv.Itoa(i+1) || l.Name != row[1] || l.Label != expand(i+1, 2) || l.Status != row[3] || l.Verdict != want || l.Reason != expand(i+1, 4) {
			t.Errorf("row %d: %+v, published %q", no, l, row)
		}
		if exception := strings.ContainsAny(row[3], "(") && want == Forbidden || strings.Contains(row[3], "unless"); exception != (l.Relax != "") {
			t.Errorf("row %d: published %q, may be relaxed for %q", no, row[3], l.Relax)
		}
		for _, code := range codes.FindAllString(strings.ReplaceAll(row[5], "R two", "two"), -1) {
			all := []string{code}
			if code == "list" { // one or more of the four
				if strings.Contains(row[5], "shop") {
					continue
				}
				all = []string{"C12", "C13", "C19", "C20"}
			}
			for _, code := range all {
				if !slices.ContainsFunc(l.Sources, func(s Source) bool { return strings.Contains(s.Name, named[code]) && s.Read == (code != "M") }) {
					t.Errorf("row %d: %s (%s) is not among %+v", no, code, row[5], l.Sources)
				}
			}
		}
		if len(l.Sources) == 0 {
			t.Errorf("row %d names no source", no)
		}
	}
}

// TestMaterials_ListStands: what the list lets go under a beam has a composition that refuses nothing, and
// a fume where care is asked; all else refuses. The last row is ours: craft paper without a data sheet.
func TestMaterials_ListStands(t *testing.T) {
	t.Parallel()
	list := Shipped()
	for _, l := range list.Materials {
		switch no := l.Refusals(); {
		case l.Verdict == Forbidden && len(no) == 0:
			t.Errorf("%s may go under a beam", l.Name)
		case l.Verdict != Forbidden && len(no) > 0:
			t.Errorf("%s: %v", l.Name, no)
		case l.Verdict == WithCare && len(l.Fumes) == 0:
			t.Errorf("%s names no fume", l.Name)
		}
	}
	paper := list.Materials[len(list.Materials)-1]
	if len(list.Materials) != 53 || paper.Verdict != WithCare || strings.Join(paper.Marks, ", ") != "dyed, uncoated, fibre edge when torn, no gloss, foil, glitter or glue" {
		t.Errorf("craft paper without a data sheet: %+v", paper)
	}
}

// TestMaterials_ListIsReadStrictly: what is wrong in the file is found.
func TestMaterials_ListIsReadStrictly(t *testing.T) {
	t.Parallel()
	for _, bad := range [][2]string{
		{`"version": 2`, `"version": 2, "extra": 2`}, {`"no": 2,`, `"no": 1,`}, {`"M", "B9"`, `"M", "B99"`}, {`["C", "H", "Cl"]`, `["C", "H", "Xx"]`},
		{`{"name": "lignin"`, `{"name": "Lignin"`}, {`"also": ["cork"]`, `"also": ["wool"]`},
	} {
		data := strings.Replace(string(shippedData), bad[0], bad[1], 1)
		if data == string(shippedData) {
			t.Fatalf("%s does not stand in the list", bad[0])
		}
		if _, err := readList([]byte(data)); err == nil {
			t.Errorf("%s passes", bad[1])
		}
	}
}
