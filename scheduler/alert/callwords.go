package alert

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"frostgate/rules"
)

// Words are what a call says, a thought each, in the firm's units and the local
// time of the site.
func (c Course) Words(call string, u rules.Units) []string {
	w := words{Course: c, Units: u}
	switch call { // a call whose hour is gone from the assessment since it was planned says nothing
	case CallAfternoon:
		w.afternoon()
	case CallCancel:
		w.cancel()
	case CallBase:
		w.base()
	case CallCover:
		w.blankets()
	case CallSaw:
		w.saw()
	case CallUncover:
		w.uncover()
	}
	return w.said
}

type words struct {
	Course
	rules.Units
	said []string
}

func (w *words) say(format string, a ...any) {
	w.said = append(w.said, sentence(fmt.Sprintf(format, a...)))
}

func (w *words) clock(t time.Time) string { return w.Clock(t.In(w.Zone)) }

// verdict says what was found, and what to do about it.
func (w *words) verdict() {
	if w.Assessment == nil {
		w.say("It has not been assessed yet")
		return
	}
	w.say("%s", headline(w.Assessment.Verdict, w.Assessment.Headline))
}

func (w *words) afternoon() {
	w.verdict()
	if w.stands() {
		if b := w.batch(); b != nil {
			w.say("To order: %s", w.order(b))
		}
		if p := w.Assessment.Protection; p != nil {
			w.say("To have at hand: %s", w.layers(p))
		}
	}
	if w.CancelBy != nil && w.CancelBy.Before(w.StartsAt) {
		w.say("The order can be cancelled until %s", w.clock(*w.CancelBy))
	}
}

// batch is what to order: with what the assessment asks for, when that changes it.
func (w *words) batch() *rules.Batch {
	if p := w.Assessment.Protected; p != nil && p.Batch != nil {
		return p.Batch
	}
	return w.Assessment.Batch
}

func (w *words) order(b *rules.Batch) string {
	parts := []string{w.Volume(b.OrderM3) + " of concrete"}
	if b.WaterTempC != nil {
		parts = append(parts, "mixing water at "+w.Temp(*b.WaterTempC))
	}
	for _, dose := range b.Accelerators {
		parts = append(parts, w.Mass(dose.MassKg)+" of "+cmp.Or(admixtures[dose.Kind], dose.Kind))
	}
	return strings.Join(parts, ", ") + "; it comes to " + w.Temp(b.PlacedTempC) + " when placed"
}

var admixtures = map[string]string{"calcium_chloride": "calcium chloride", "nonchloride_accelerator": "accelerator without chloride", "water_reducer": "water reducer"}

func (w *words) layers(p *rules.ProtectionPlan) string {
	text := fmt.Sprintf("%d layers of blankets, %s in all", p.Layers, w.RValue(p.RM2KW))
	if p.Layers <= 1 {
		text = "blankets of " + w.RValue(p.RM2KW)
	}
	if p.DoubleEdges {
		text += ", double at edges and corners"
	}
	return text
}

func (w *words) cancel() {
	if w.CancelBy == nil {
		return
	}
	w.say("The order can be cancelled until %s", w.clock(*w.CancelBy))
	w.verdict()
}

func (w *words) base() {
	w.say("Check the base by hand before the first truck: no frost, ice or snow in or on it")
	if a := w.Assessment; a != nil && a.Ground != nil {
		text := fmt.Sprintf("Computed for the start: surface at %s", w.Temp(a.Ground.SurfaceC))
		if a.Ground.FrostDepthMM > 0 {
			text += fmt.Sprintf(", frost %s deep", w.Length(a.Ground.FrostDepthMM))
		}
		w.say("%s", text)
	}
	if !w.stands() {
		w.verdict()
	}
	w.say("Enter what you find; the verdict follows it at once")
}

func (w *words) blankets() {
	on, _ := w.cover()
	if on == nil {
		return
	}
	p := w.Assessment.Protection
	if p == nil {
		w.say("The planned blankets go on from %s", w.clock(*on))
		return
	}
	w.say("Cover from %s on: %s", w.clock(*on), w.layers(p))
	if by := w.Assessment.Timeline.BlanketsOnBy; by != nil && by.After(*on) {
		w.say("At the latest by %s", w.clock(*by))
	}
	if p.IfLate2H != "" {
		w.say("%s", p.IfLate2H)
	}
}

func (w *words) saw() {
	t := w.hours()
	if t.SawcutFromAt == nil {
		return
	}
	text := "Joints can be cut from about " + w.clock(*t.SawcutFromAt)
	if t.SawcutUntilAt != nil {
		text += " and should be cut by " + w.clock(*t.SawcutUntilAt)
	}
	w.say("%s", text)
	w.say("Let a trial cut decide: where it ravels it is too early")
}

func (w *words) uncover() {
	if w.Assessment == nil {
		return
	}
	if w.hours().UncoverFromAt != nil {
		w.say("In this weather nothing requires the cover any longer: as computed, the coldest concrete has %s", w.Stress(w.Assessment.CriticalMPa))
	} else {
		w.say("As computed from the weather, the required period and strength are reached")
	}
	if p := w.Assessment.Protection; p != nil {
		w.say("Take the cover off gradually: the concrete may cool by %s in the first 24 hours, no more", w.TempChange(p.CoolDropC))
	} else {
		w.say("Take the cover off gradually")
	}
	w.say("Where strength matters, prove it in place before loads or forms come off")
}
