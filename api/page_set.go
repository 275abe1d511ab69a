package api

import (
	"fmt"
	"io"
	"net/http"

	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
	"kerfgate/db"
)

// setPage is GET /sets/{id}.
func (s *Server) setPage(c echo.Context) error {
	t, err := namedTo(c, s.store.Set)
	if err != nil {
		return err
	}
	who, _ := personOf(c)
	v := web.SetView{Shell: s.shell(c, t.Name, ""), SetLine: setLine(t), Member: t.MemberName, Mine: t.Member == who.Person.ID, MadeAt: s.local(t.MadeAt)}
	for _, j := range t.Jobs {
		line := web.SetJob{Href: "/jobs/" + j.ID.String(), Title: j.Title, State: string(j.State), Machine: j.MachineName, Copies: j.Copies, Done: j.Done()}
		lot := t.Lots[j.Stock]
		line.Sheet = fmt.Sprintf("%s, %s, %s, lot %s", j.MaterialName, lot.Colour, thickWords(lot.Stock), lot.Lot)
		v.Jobs = append(v.Jobs, line)
	}
	return sendHTML(c, http.StatusOK, func(w io.Writer) error { return web.RenderSet(w, v) })
}

func setLine(t db.Set) web.SetLine {
	return web.SetLine{ID: t.ID.String(), Name: t.Name, Jobs: t.JobCount, Sheets: t.Sheets, Done: t.Done, Waiting: t.Waiting, GivenUp: max(0, t.Sheets-t.Done-t.Waiting)}
}
