package api

import (
	"net/http"
	"strings"
	"testing"

	"kerfgate/api/wire"
)

// TestBoard: names and titles are for members.
func TestBoard(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t)
	member := w.signedIn(t, w.Member)
	w.handIn(t, member, 2)
	w.as(t, w.signedIn(t, w.Officer), http.MethodPost, "/machines/"+w.Machine.ID.String()+"/lockout", `{"reason":"lid hinge loose"}`, http.StatusCreated, nil)
	wall := w.as(t, "", http.MethodGet, "/board", "", http.StatusOK, nil).Body.String()
	for _, name := range []string{"bed sign", "Member of the garden", "lid hinge"} {
		if strings.Contains(wall, name) {
			t.Errorf("the wall shows %q: %s", name, wall)
		}
	}
	var board wire.Board
	w.as(t, member, http.MethodGet, "/board", "", http.StatusOK, &board)
	if len(board.Lanes) != 1 || len(board.Lanes[0].Next) != 2 || !board.Lanes[0].Next[0].Mine || *board.Lanes[0].Next[0].JobTitle != "bed sign" ||
		board.Lanes[0].Lockout == nil || *board.Lanes[0].Lockout.Reason != "lid hinge loose" {
		t.Errorf("board %+v", board)
	}
}
