package rules

import (
	"fmt"
	"slices"
	"strings"
)

// rank orders effects from mild to strong.
func (e Effect) rank() int {
	switch e {
	case EffectMove:
		return 2
	case EffectProtect:
		return 1
	default:
		return 0
	}
}

// remaining is the effect of a finding once what is at hand is done: a remedy at
// hand that passes turns a move into a pour with protection.
func (f *Finding) remaining() Effect {
	if f.Effect == EffectMove && f.Remedy != nil && f.Remedy.AtHand && f.Remedy.Passes {
		return EffectProtect
	}
	return f.Effect
}

// Worst is the finding that decides an assessment, what its headline, lists and
// alerts show first: the strongest effect no remedy at hand lifts; of those a
// physical risk to the concrete before mix, clock and crew; then the one that
// would be worst without its remedy. Nil without findings.
func (a *Assessment) Worst() *Finding { return worst(a.Findings) }

func worst(findings []Finding) *Finding {
	weight := func(f *Finding) int {
		n := 8*f.remaining().rank() + 2*f.Effect.rank()
		if f.Rule == "ground.frozen" || f.Rule == "slab.freezes_early" {
			n += 6
		}
		if f.Rule == "ground.frozen" && f.Effect == EffectProtect && f.Remedy == nil {
			n-- // concrete lies on it: what can still be done comes first
		}
		if f.remaining() == EffectProtect && f.Remedy != nil && f.Remedy.Passes {
			n++
		}
		return n
	}
	var w *Finding
	for i := range findings {
		if f := &findings[i]; w == nil || weight(f) > weight(w) {
			w = f
		}
	}
	return w
}

// verdict is the worst effect that no remedy at hand lifts. It is withheld, with
// the reason, when weather too short or too old leaves the freezing decision
// open; a pour that has to move for what is known has to move all the same.
func (j *job) verdict(findings []Finding) (Verdict, string) {
	v := Place
	if w := worst(findings); w != nil {
		switch w.remaining() {
		case EffectMove:
			return Move, ""
		case EffectProtect:
			v = Protect
		}
	}
	if reason := j.open(); reason != "" {
		return Unscored, reason
	}
	return v, ""
}

// open says what is not known of a pour that must be known; empty when nothing.
func (j *job) open() string {
	say := j.say()
	if age, old := j.tooStale(); old {
		return j.oldForecast(age)
	}
	run := j.toCome()
	if !run.decided() {
		return fmt.Sprintf("the weather given ends %s, before the concrete reaches %s; whether it freezes first is not known",
			say.clock(run.end), j.critical())
	}
	return ""
}

// headline is the verdict and its worst reason in one sentence.
func (j *job) headline(v Verdict, reason string, findings []Finding) string {
	w := worst(findings)
	switch {
	case v == Unscored:
		return "Not scored: " + reason + "."
	case v == Place:
		return j.placeHeadline()
	case v == Protect && w.Remedy != nil:
		return "Protect: " + lowerFirst(w.Remedy.Sentence) + besides(w, findings)
	case v == Protect:
		return "Protect: " + w.afterColon()
	case j.next != nil:
		return "Move: " + w.afterColon() + " " + j.next.Sentence
	default:
		return "Move: " + w.afterColon() + " With what is at hand no start within the forecast works."
	}
}

// besides is the other remedies without which the pour would have to move.
func besides(w *Finding, findings []Finding) string {
	said := []string{w.Remedy.Kind}
	var text strings.Builder
	for i := range findings {
		f := &findings[i]
		if f.Effect != EffectMove || f.Remedy == nil || slices.Contains(said, f.Remedy.Kind) {
			continue
		}
		said = append(said, f.Remedy.Kind)
		text.WriteString(" " + f.Remedy.Sentence)
	}
	return text.String()
}

func (j *job) placeHeadline() string {
	say := j.say()
	h := "Place as planned"
	if j.placed() {
		h = "Placed, no protection needed"
	}
	if !j.run.finalSet.IsZero() {
		h += ": sets by " + say.clock(j.run.finalSet)
	}
	if !j.run.critical.IsZero() {
		h += fmt.Sprintf(", %s by %s", j.critical(), say.clock(j.run.critical))
	}
	if off := j.shield.spare.off; !off.IsZero() {
		h += ", blankets may come off from " + say.clock(off)
	}
	return h + "."
}

// oneStop leaves one stop where a sentence ends in a time of day, which has its
// own.
func oneStop(s string) string { return strings.ReplaceAll(s, "..", ".") }

// afterColon is the sentence of a finding as it follows a colon; a local rule
// begins with the name its authority gave it, which stays as written.
func (f *Finding) afterColon() string {
	if f.Rule == "local.rule" {
		return f.Sentence
	}
	return lowerFirst(f.Sentence)
}

// lowerFirst makes the first letter small after a colon, unless the word is an
// abbreviation.
func lowerFirst(s string) string {
	if len(s) < 2 || s[1] < 'a' {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}
