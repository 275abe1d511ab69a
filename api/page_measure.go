package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"kerfgate/db"
	"kerfgate/plan/machine"
	"kerfgate/queue/broker"
)

// measureForm is POST /machines/:id/commissioning/ask/:item/measure: the worker measures, and a person looks at what it
// found before it becomes an answer.
func (s *Server) measureForm(c echo.Context) error {
	m, one, q, err := s.asked(c)
	if err != nil {
		return err
	}
	said := one.Answers[q.Key]
	if q.Key != machine.AskAnswered && c.FormValue("beside") != "yes" {
		err = invalid("beside", "nobody was said to stand beside the machine", "supply off, hands off, then say so")
	} else if said.Numbers, err = s.measured(c.Request().Context(), one, q.Key); err == nil {
		said.Way = machine.ByWorker
		return s.sendQuestion(c, http.StatusOK, m, one, q, said, nil)
	}
	p, shown := s.refusedForm(c, err)
	if !shown {
		return err
	}
	return s.sendQuestion(c, p.status, m, one, q, one.Answers[q.Key], pageReasons(p))
}

// measured asks the worker under a set-up leave of its own.
func (s *Server) measured(ctx context.Context, one db.Commissioning, question string) ([]int64, error) {
	challenge, err := s.floor.Challenge(ctx, one.Machine, uuid.Nil, broker.PurposeSetup)
	if err != nil {
		return nil, unreached(err)
	}
	leave, err := s.store.LeaveToMeasure(ctx, actorIn(ctx), one.ID, question, challenge)
	if err != nil {
		return nil, err
	}
	done, err := s.floor.Setup(ctx, one.Machine, broker.SetupCommand{Leave: leave, Number: 1, Kind: broker.SetupMeasure, What: question, OnMark: true})
	if err == nil && done.Problem != "" {
		err = fmt.Errorf("%w: %.200s", broker.ErrWorkerSays, done.Problem)
	}
	if err == nil && len(done.Numbers) == 0 {
		err = errors.New("the worker measured nothing")
	}
	if err != nil {
		return nil, unreached(err)
	}
	return done.Numbers, nil
}
