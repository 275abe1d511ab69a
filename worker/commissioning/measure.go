package commissioning

import (
	"context"
	"time"

	"kerfgate/worker/driver"
)

// StopTries is how often a stop's answer is measured, and how often a span.
const StopTries = 5

// StopAnswers measures, on a machine that rests and is not armed, how long it takes from a stop until the
// machine has answered it and says that its tool is off. Nothing moves. The driver is open before and
// after. Errors are the driver's.
func StopAnswers(ctx context.Context, d driver.Driver, tries int) (ms []int64, err error) {
	for range tries {
		begun := time.Now()
		if err := d.Stop(); err != nil {
			return ms, err
		}
		for {
			s, err := d.Where()
			if err != nil {
				return ms, err
			}
			if !s.ToolOn && !s.Moving {
				break
			}
			if err := ctx.Err(); err != nil {
				return ms, err
			}
		}
		ms = append(ms, time.Since(begun).Milliseconds())
		if err := d.Reset(ctx); err != nil {
			return ms, err
		}
	}
	return ms, nil
}
