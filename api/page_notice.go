package api

import (
	"fmt"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/api/web"
)

// noticesShown is how many authorisations that end soon the board names.
const noticesShown = 5

// noticeOn puts above the lanes what whoever is signed in should see to: their own authorisations that end soon, for
// officers and admins everybody's, and for an admin a site that was not set up.
func (s *Server) noticeOn(c echo.Context, v *web.BoardView) error {
	who, ok := personOf(c)
	if !ok {
		return nil
	}
	ctx := c.Request().Context()
	role, everybody := who.Person.Role, uuid.Nil
	desk := role.Officer() || role.Admin()
	if !desk {
		everybody = who.Person.ID
	}
	ending, err := s.store.EndingAuthorisations(ctx, everybody, expiresSoon, noticesShown+1)
	if err != nil {
		return err
	}
	if len(ending) > noticesShown {
		ending, v.MoreEnds = ending[:noticesShown], 1
	}
	for _, a := range ending {
		until := s.local(a.Until).Format("2 January")
		if a.Person == who.Person.ID {
			v.Notices = append(v.Notices, web.BoardNotice{What: fmt.Sprintf("Your authorisation for %s ends on %s: ask an officer to see you run it", a.Name, until), Href: machinePath(a.Machine)})
			continue
		}
		v.Notices = append(v.Notices, web.BoardNotice{What: fmt.Sprintf("%s may run %s until %s", shortName(a.Who), a.Name, until), Href: "/people/" + a.Person.String()})
	}
	if !role.Admin() {
		return nil
	}
	site, err := s.store.Site(ctx)
	if err != nil {
		return err
	}
	if !site.Settled {
		v.Notices = append([]web.BoardNotice{{What: "This site is not set up yet: choose what kind it is", Href: "/site"}}, v.Notices...)
	}
	return nil
}
