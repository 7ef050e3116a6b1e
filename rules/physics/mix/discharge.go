package mix

// A DischargeLimit is how long after batching a truck may still discharge; 0 where
// the document sets no limit of its own.
type DischargeLimit struct {
	Minutes     float64
	Revolutions float64
	ByTicket    bool // the purchaser or the producer states the limit
}

// C94Discharge is the limit of the edition of ASTM C94 of a year: 90 min or 300
// revolutions up to 2012, 90 min from 2013, what the ticket says from 2021. The
// purchaser may waive it in all of them.
func C94Discharge(editionYear int) DischargeLimit {
	switch {
	case editionYear <= 2012:
		return DischargeLimit{Minutes: 90, Revolutions: 300}
	case editionYear <= 2020:
		return DischargeLimit{Minutes: 90}
	default:
		return DischargeLimit{ByTicket: true}
	}
}

// Over says whether a truck is past the limit. ticketMin is the limit on the
// ticket, 0 when it states none; it counts only where the edition leaves the limit
// to it.
func (l DischargeLimit) Over(minutes, revolutions, ticketMin float64) bool {
	limit := l.Minutes
	if l.ByTicket {
		limit = ticketMin
	}
	return limit > 0 && minutes > limit || l.Revolutions > 0 && revolutions > l.Revolutions
}
