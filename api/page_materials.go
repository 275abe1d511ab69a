package api

import (
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
	"kerfgate/plan/material"
)

// materialsPage is GET /materials.
func (s *Server) materialsPage(c echo.Context) error {
	return s.sendMaterials(c, http.StatusOK, func(*web.MaterialsView) {})
}

func (s *Server) sendMaterials(c echo.Context, status int, with func(*web.MaterialsView)) error {
	all, err := s.store.Materials(c.Request().Context())
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	v := web.MaterialsView{Shell: s.shell(c, "Materials", "/materials"), Find: strings.TrimSpace(strings.ToValidUTF8(c.QueryParam("find"), "")),
		MayEdit: who.Person.Role.Officer(), Form: materialForm(material.Material{}, true)}
	for _, m := range all {
		row := web.MaterialRow{Href: materialPath(m), Name: m.Name, Verdict: string(m.Verdict), Reason: m.Reason, Composition: m.Composition.Words(),
			Fumes: m.Fumes, Barred: len(m.Refusals()) > 0}
		for _, lot := range m.Stock {
			words := fmt.Sprintf("%s, %s, %s: %d free of %d", lot.Lot, lot.Colour, thickWords(lot.Stock), lot.Count-lot.Reserved, lot.Count)
			if lot.Halogen {
				words += "; halogen found, never under a beam"
			}
			row.Lots = append(row.Lots, words)
		}
		switch {
		case !materialFits(row, v.Find):
		case len(row.Lots) > 0:
			v.Shelved = append(v.Shelved, row)
		default:
			v.Rest = append(v.Rest, row)
		}
	}
	with(&v)
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderMaterials(w, v) })
}

// materialFits says whether a row holds every word that was looked for.
func materialFits(row web.MaterialRow, find string) bool {
	all := strings.ToLower(strings.Join(append(append([]string{row.Name, row.Verdict, row.Reason, row.Composition}, row.Fumes...), row.Lots...), " "))
	for word := range strings.FieldsSeq(strings.ToLower(find)) {
		if !strings.Contains(all, word) {
			return false
		}
	}
	return true
}

func materialPath(m db.Material) string { return "/materials/" + m.ID.String() }

// thickWords is what tells a lot's sheets by hand: caliper, or the grammage on the label.
func thickWords(lot material.Stock) string {
	if lot.ByGrammage() {
		return fmt.Sprintf("%d g/m²", lot.GrammageGPerM2)
	}
	return web.Millimetres(lot.ThicknessUM) + " mm"
}

// addMaterialForm is POST /materials.
func (s *Server) addMaterialForm(c echo.Context) error {
	ctx := c.Request().Context()
	m := typedMaterial(c)
	made, err := s.store.AddMaterial(ctx, actorIn(ctx), m)
	return s.afterForm(c, err, materialPath(made), func(status int, problem *web.Problem) error {
		return s.sendMaterials(c, status, func(v *web.MaterialsView) {
			v.Problem, v.Form = problem, materialForm(m, true)
			v.Form.Open = true
		})
	})
}

// materialForm is a material as the form shows it; listed: the row of the shipped list can be chosen.
func materialForm(m material.Material, listed bool) web.MaterialForm {
	f := web.MaterialForm{Name: m.Name, Label: m.Label, ColourClass: m.ColourClass, Reason: m.Reason, Hazards: strings.Join(m.Hazards, "\n"),
		Fumes: strings.Join(m.Fumes, "\n"), Marks: strings.Join(m.Marks, "\n"), Changes: !listed}
	var made, read, remembered []string
	for _, x := range m.Composition {
		line := x.Name
		if len(x.Elements) > 0 {
			line += ": " + strings.Join(x.Elements, " ")
		}
		made = append(made, line)
	}
	for _, x := range m.Sources {
		if x.Read {
			read = append(read, x.Name)
		} else {
			remembered = append(remembered, x.Name)
		}
	}
	f.Composition, f.Read, f.Remembered = strings.Join(made, "\n"), strings.Join(read, "\n"), strings.Join(remembered, "\n")
	for _, v := range []material.Verdict{material.Allowed, material.WithCare, material.Forbidden} {
		f.Verdicts = append(f.Verdicts, web.Role{Value: string(v), Label: string(v), Chosen: v == m.Verdict})
	}
	for _, op := range []string{"cut", "mark", "engrave"} {
		f.Only = append(f.Only, web.Role{Value: op, Label: op, Chosen: slices.Contains(m.Only, op)})
	}
	if listed {
		f.Listed = append(f.Listed, web.Role{Value: "0", Label: "none of them"})
		for _, l := range material.Shipped().Materials {
			f.Listed = append(f.Listed, web.Role{Value: strconv.FormatInt(l.No, 10), Label: fmt.Sprintf("%d %s: %s", l.No, l.Name, l.Verdict), Chosen: l.No == m.Listed})
		}
	}
	return f
}

// typedMaterial reads the form. What cannot stand in it the store says.
func typedMaterial(c echo.Context) material.Material {
	m := material.Material{Name: c.FormValue("name"), Label: c.FormValue("label"), ColourClass: c.FormValue("colour_class"), Verdict: material.Verdict(c.FormValue("verdict")),
		Reason: c.FormValue("verdict_reason"), Hazards: typedLines(c, "hazards"), Fumes: typedLines(c, "fumes"), Marks: typedLines(c, "marks")}
	for _, line := range typedLines(c, "composition") {
		name, elements, _ := strings.Cut(line, ":")
		m.Composition = append(m.Composition, material.Constituent{Name: name,
			Elements: strings.FieldsFunc(elements, func(r rune) bool { return r == ' ' || r == ',' || r == '\t' })})
	}
	for _, line := range typedLines(c, "read") {
		m.Sources = append(m.Sources, material.Source{Name: line, Read: true})
	}
	for _, line := range typedLines(c, "remembered") {
		m.Sources = append(m.Sources, material.Source{Name: line})
	}
	if values, err := c.FormParams(); err == nil {
		m.Only = values["only"]
	}
	m.Listed, _ = strconv.ParseInt(c.FormValue("listed"), 10, 64) // the list's rows alone can be chosen
	return m
}

// typedLines are the lines of a field that say something.
func typedLines(c echo.Context, field string) []string {
	var lines []string
	for line := range strings.Lines(c.FormValue(field)) {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, line)
		}
	}
	return lines
}
