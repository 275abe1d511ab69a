package api

import (
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
	"kerfgate/plan/material"
)

// materialPage is GET /materials/:id.
func (s *Server) materialPage(c echo.Context) error {
	return s.sendMaterial(c, http.StatusOK, func(*web.MaterialView) {})
}

func (s *Server) sendMaterial(c echo.Context, status int, with func(*web.MaterialView)) error {
	m, err := named(c, s.store.Material)
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	v := web.MaterialView{Shell: s.shell(c, m.Name, "/materials"), Path: materialPath(m), Name: m.Name, Verdict: string(m.Verdict), Reason: m.Reason, Label: m.Label, Group: string(m.Group()),
		Rev: m.Rev, Retired: m.Retired, Hazards: m.Hazards, Fumes: m.Fumes, Only: m.Only, Marks: m.Marks, MayEdit: who.Person.Role.Officer() && !m.Retired}
	for _, no := range m.Refusals() {
		v.Refusals = append(v.Refusals, web.Reason{What: web.Sentence(no.What), Next: web.Sentence(no.Next)})
	}
	for _, x := range m.Composition {
		v.Constituents = append(v.Constituents, web.ConstituentRow{Name: x.Name, Elements: strings.Join(x.Contains(), ", "), Bad: x.Halogen()})
	}
	for _, x := range m.Sources {
		v.Sources = append(v.Sources, web.SourceRow{Name: x.Name, Read: x.Read})
	}
	if l, ok := material.ListedAs(m.Listed); ok {
		v.Standing = fmt.Sprintf("Judged by row %d of the shipped list, “%s”: %s there.", l.No, l.Name, l.Verdict)
		if l.Relax != "" {
			v.Standing += fmt.Sprintf(" The officer may let it pass with care for: %s.", l.Relax)
		}
	}
	for _, lot := range m.Stock {
		row := web.LotRow{ID: lot.ID.String(), Lot: lot.Lot, Colour: lot.Colour, Thick: thickWords(lot.Stock), Sheet: web.Size(lot.SheetWidthUM, lot.SheetHeightUM), Rev: lot.Rev,
			Count: lot.Count, Promised: lot.Reserved, Free: lot.Count - lot.Reserved, Halogen: lot.Halogen}
		if lot.GrammageGPerM2 > 0 && !lot.ByGrammage() {
			row.Thick += fmt.Sprintf(", %d g/m²", lot.GrammageGPerM2)
		}
		v.Lots = append(v.Lots, row)
	}
	if err := s.provenIn(c, m, &v); err != nil {
		return err
	}
	if err := s.materialPast(c, m, &v); err != nil {
		return err
	}
	if v.MayEdit {
		v.Form = materialForm(m.Material, false)
	}
	with(&v)
	return sendHTML(c, status, func(w io.Writer) error { return web.RenderMaterial(w, v) })
}

// provenIn fills in what is proven in a material, and on which machines more could be.
func (s *Server) provenIn(c echo.Context, m db.Material, v *web.MaterialView) error {
	ctx := c.Request().Context()
	settings, err := s.store.SettingsOf(ctx, m.ID)
	if err != nil {
		return err
	}
	machines, err := s.store.Machines(ctx)
	if err != nil {
		return err
	}
	by := make(map[uuid.UUID]db.Machine, len(machines))
	for _, one := range machines {
		by[one.ID] = one
		for _, tool := range one.Profile.Tools {
			v.Proof.Tools = append(v.Proof.Tools, web.Role{Value: one.ID.String() + "|" + tool.Name, Label: machineView(one).Label() + ": " + tool.Name})
		}
	}
	for i, op := range []string{"cut", "mark", "engrave", "draw"} {
		v.Proof.Operations = append(v.Proof.Operations, web.Role{Value: op, Label: op, Chosen: i == 0})
	}
	v.Proof.Passes, v.Proof.Kerf = "1", "0"
	for _, set := range settings {
		on := by[set.Machine]
		tool, _ := on.Profile.Tool(set.Tool)
		v.Settings = append(v.Settings, web.ProvenRow{ID: set.ID.String(), SettingRow: settingRow(set), Machine: machineView(on).Label(), By: set.ProvenByName,
			At: s.local(set.ProvenAt), Departs: set.Departed(tool.PowerMW, on.Profile.DoseSharePermille)})
	}
	return nil
}

// settingRow is a proven setting with the dose that was proven.
func settingRow(set db.Setting) web.SettingRow {
	row := web.SettingRow{Colour: set.Colour, Thickness: web.Millimetres(set.ThicknessUM) + " mm", Tool: set.Tool, Operation: set.Operation,
		Setting: settingWords(set.SpeedUMPerS, set.PowerPermille, set.Passes), Dose: doseWords(set.DoseUJPerMM), Evidence: set.Evidence}
	if set.KerfUM > 0 {
		row.Kerf = "kerf " + web.Millimetres(set.KerfUM) + " mm"
	}
	if set.Run != uuid.Nil {
		row.RunHref = "/runs/" + set.Run.String()
	}
	return row
}

// materialPast fills in what became of a material and its lots, the newest first.
func (s *Server) materialPast(c echo.Context, m db.Material, v *web.MaterialView) error {
	ctx := c.Request().Context()
	changes, err := s.store.MaterialChanges(ctx, m.ID)
	if err != nil {
		return err
	}
	for _, x := range changes {
		row := web.ChangeRow{At: s.local(x.At), By: x.By, What: string(x.Verdict), Reason: x.Reason}
		if row.By == "" {
			row.By = "the list that ships"
		}
		v.Changes = append(v.Changes, row)
	}
	shelf, err := s.store.StockChanges(ctx, m.ID)
	if err != nil {
		return err
	}
	lots := make(map[uuid.UUID]string, len(m.Stock))
	for _, lot := range m.Stock {
		lots[lot.ID] = lot.Lot
	}
	for _, x := range shelf {
		row := web.ChangeRow{At: s.local(x.At), By: x.By, What: "Lot " + lots[x.Stock], Reason: x.Reason}
		switch {
		case x.Count != nil:
			row.What += ", " + web.Count(int(*x.Count), "sheet", "sheets")
		case x.Halogen != nil && *x.Halogen:
			row.What += ", the flame flared green"
		default:
			row.What += ", the flame did not flare, which allows nothing"
		}
		v.Shelf = append(v.Shelf, row)
	}
	return nil
}

// changedMaterial answers a form of the page.
func (s *Server) changedMaterial(c echo.Context, err error, typed func(*web.MaterialView)) error {
	return s.afterForm(c, err, "/materials/"+c.Param("id"), func(status int, problem *web.Problem) error {
		return s.sendMaterial(c, status, func(v *web.MaterialView) { v.Problem = problem; typed(v) })
	})
}

// nothingTyped leaves a form as it is when it is shown anew.
func nothingTyped(*web.MaterialView) {}

// changeMaterialForm is POST /materials/:id.
func (s *Server) changeMaterialForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	m, why := typedMaterial(c), c.FormValue("reason")
	rev, err := formRev(c)
	if err == nil {
		_, err = s.store.ChangeMaterial(ctx, actorIn(ctx), id, rev, m, why)
	}
	return s.changedMaterial(c, err, func(v *web.MaterialView) {
		v.Form = materialForm(m, false)
		v.Form.Why, v.Form.Open = why, true
	})
}

// retireMaterialForm is POST /materials/:id/retire.
func (s *Server) retireMaterialForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	rev, err := formRev(c)
	if err == nil {
		err = s.store.RetireMaterial(ctx, actorIn(ctx), id, rev)
	}
	return s.changedMaterial(c, err, nothingTyped)
}

// addLotForm is POST /materials/:id/lots.
func (s *Server) addLotForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	f := web.LotForm{Lot: c.FormValue("lot"), Colour: c.FormValue("colour"), Thickness: c.FormValue("thickness_mm"), Tolerance: c.FormValue("tolerance_mm"),
		Grammage: c.FormValue("grammage"), Width: c.FormValue("width_mm"), Height: c.FormValue("height_mm"), Count: c.FormValue("count"), Open: true}
	lot, count, err := typedLot(f)
	if err == nil {
		ctx := c.Request().Context()
		_, err = s.store.AddStock(ctx, actorIn(ctx), id, lot, count)
	}
	return s.changedMaterial(c, err, func(v *web.MaterialView) { v.Lot = f })
}

func typedLot(f web.LotForm) (lot material.Stock, count int64, err error) {
	lot = material.Stock{Lot: f.Lot, Colour: f.Colour}
	for _, x := range []struct {
		field, text string
		um          *int64
	}{{"thickness_mm", f.Thickness, &lot.ThicknessUM}, {"tolerance_mm", f.Tolerance, &lot.ToleranceUM}, {"width_mm", f.Width, &lot.SheetWidthUM}, {"height_mm", f.Height, &lot.SheetHeightUM}} {
		if *x.um, err = typedMM(x.field, x.text); err != nil {
			return lot, 0, err
		}
	}
	if strings.TrimSpace(f.Grammage) != "" {
		if lot.GrammageGPerM2, err = typedWhole("grammage", f.Grammage); err != nil {
			return lot, 0, err
		}
	}
	count, err = typedWhole("count", f.Count)
	return lot, count, err
}

// typedWhole reads a whole number as a person types it.
func typedWhole(field, text string) (int64, error) {
	n, err := strconv.ParseInt(strings.TrimSpace(text), 10, 64)
	if err != nil {
		return 0, invalid(field, fmt.Sprintf("%.20q is no whole number", text), "type digits alone")
	}
	return n, nil
}

// lotOf finds the lot of a page's form, which must be this material's.
func (s *Server) lotOf(c echo.Context) (uuid.UUID, error) {
	m, err := named(c, s.store.Material)
	if err != nil {
		return uuid.Nil, err
	}
	for _, lot := range m.Stock {
		if lot.ID.String() == c.Param("lot") {
			return lot.ID, nil
		}
	}
	return uuid.Nil, db.ErrNotFound
}

// countLotForm is POST /materials/:id/lots/:lot/count.
func (s *Server) countLotForm(c echo.Context) error {
	lot, err := s.lotOf(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	rev, err := formRev(c)
	var count int64
	if err == nil {
		count, err = typedWhole("count", c.FormValue("count"))
	}
	if err == nil {
		_, err = s.store.CountStock(ctx, actorIn(ctx), lot, rev, count, c.FormValue("reason"))
	}
	return s.changedMaterial(c, err, nothingTyped)
}

// flameTestForm is POST /materials/:id/lots/:lot/flame-test.
func (s *Server) flameTestForm(c echo.Context) error {
	lot, err := s.lotOf(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	switch c.FormValue("halogen") {
	case "yes", "no":
		_, err = s.store.TestStock(ctx, actorIn(ctx), lot, c.FormValue("halogen") == "yes", c.FormValue("reason"))
	default:
		err = invalid("halogen", "the form does not say what the flame showed", "choose whether it flared green")
	}
	return s.changedMaterial(c, err, nothingTyped)
}

// proveForm is POST /materials/:id/settings.
func (s *Server) proveForm(c echo.Context) error {
	id, err := pathID(c)
	if err != nil {
		return err
	}
	f := web.ProofForm{Thickness: c.FormValue("thickness_mm"), Colour: c.FormValue("colour"), Speed: c.FormValue("speed"), Power: c.FormValue("power"),
		Passes: c.FormValue("passes"), Kerf: c.FormValue("kerf_mm"), Evidence: c.FormValue("evidence"), Open: true}
	on, tool, _ := strings.Cut(c.FormValue("tool"), "|")
	set := db.Setting{Tool: tool, Material: id, Colour: f.Colour, Setting: material.Setting{Operation: c.FormValue("operation"), Evidence: f.Evidence}}
	if set.Machine, err = uuid.Parse(on); err != nil {
		err = invalid("tool", "no machine and tool is chosen", "choose one")
	} else {
		err = typedSetting(f, &set)
	}
	if err == nil {
		ctx := c.Request().Context()
		_, err = s.store.ProveSetting(ctx, actorIn(ctx), set)
	}
	return s.changedMaterial(c, err, func(v *web.MaterialView) {
		f.Tools, f.Operations = v.Proof.Tools, v.Proof.Operations
		for i := range f.Tools {
			f.Tools[i].Chosen = f.Tools[i].Value == c.FormValue("tool")
		}
		for i := range f.Operations {
			f.Operations[i].Chosen = f.Operations[i].Value == set.Operation
		}
		v.Proof = f
	})
}

// typedSetting reads the numbers of a setting.
func typedSetting(f web.ProofForm, set *db.Setting) (err error) {
	for _, x := range []struct {
		field, text string
		um          *int64
	}{{"thickness_mm", f.Thickness, &set.ThicknessUM}, {"speed", f.Speed, &set.SpeedUMPerS}, {"kerf_mm", f.Kerf, &set.KerfUM}} {
		if *x.um, err = typedMM(x.field, x.text); err != nil {
			return err
		}
	}
	if set.Passes, err = typedWhole("passes", f.Passes); err != nil {
		return err
	}
	percent, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(f.Power), ",", ".", 1), 64)
	if err != nil {
		return invalid("power", fmt.Sprintf("%.20q is no power", f.Power), "type per cent of the tool's full power, such as 62.5")
	}
	set.PowerPermille, err = permille("power_percent", percent)
	return err
}

// withdrawProofForm is POST /materials/:id/settings/:setting/withdraw.
func (s *Server) withdrawProofForm(c echo.Context) error {
	ctx := c.Request().Context()
	settings, err := named(c, s.store.SettingsOf)
	if err != nil {
		return err
	}
	for _, set := range settings {
		if set.ID.String() == c.Param("setting") {
			return s.changedMaterial(c, s.store.WithdrawSetting(ctx, actorIn(ctx), set.ID), nothingTyped)
		}
	}
	return db.ErrNotFound
}
