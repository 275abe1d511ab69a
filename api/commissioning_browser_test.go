package api

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"

	"kerfgate/plan/machine"
)

// TestCommissioningByKeyboard: somebody with gloves off and no mouse goes through every question with the keys
// alone, and each target on the way is large.
func TestCommissioningByKeyboard(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("drives a real browser")
	}
	w := newWorkshop(t)
	b := w.openTab(t, w.Officer)
	path := commissioningPath(w.Machine.ID)
	b.visit(path)
	b.keep("commissioning-begin")
	b.reach("main form button")
	b.press("\r")
	questions := machine.Questions(machine.ToolBeam)
	for i, q := range questions {
		b.arrives(askPath(w.Machine.ID, q.Key))
		if small := b.value(`JSON.stringify([...document.querySelectorAll(".choice, .tries input, .go-on button")].filter((e) => e.getBoundingClientRect().height < 64).map((e) => e.outerHTML))`); small != "[]" {
			t.Errorf("%s: targets under 64 px: %s", q.Key, small)
		}
		if q.Tries > 0 {
			for n, number := range strings.Fields(measured[q.Key]) {
				b.reach(fmt.Sprintf(`.tries label:nth-child(%d) input`, n+1))
				b.press(strings.Split(number, "")...)
			}
		} else {
			b.reach(`input[name=words]`)
			b.press(" ")
			for b.value(`document.querySelector("input[name=words]:checked").value`) != measured[q.Key] {
				b.press(kb.ArrowDown)
			}
		}
		if i == 0 || q.Key == machine.AskMeans {
			b.keep("commissioning-" + q.Key)
		}
		b.reach(`input[name=way]`)
		b.press(" ")
		b.reach(`.go-on button.main`)
		b.press("\r")
	}
	b.arrives(path)
	b.keep("commissioning-publish")
	b.reach(`form[action$="/publish"] button`)
	b.press("\r")
	b.waits(`document.body?.innerText.includes("published by Officer of the garden")`)
	b.keep("commissioning-after")
	m, err := w.Store.Machine(t.Context(), w.Machine.ID)
	if err != nil || m.Profile.CutOff.CablePulledMS != 310 || m.Profile.CutOff.Means != machine.MeansTimer {
		t.Errorf("in force %+v, %v", m.Profile.CutOff, err)
	}
}
