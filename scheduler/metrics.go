package scheduler

import (
	"errors"

	"github.com/prometheus/client_golang/prometheus"
)

// metrics are what an operator watches. The ages of the sources are what to be
// woken by.
type metrics struct {
	pulls        *prometheus.CounterVec // by source and outcome
	sourceAge    *prometheus.GaugeVec   // s, by source: of its newest issue
	assessments  *prometheus.CounterVec // by verdict, or unchanged
	assessTime   prometheus.Histogram   // s, of one pour
	transitions  *prometheus.CounterVec // by event
	attempts     *prometheus.CounterVec // by outcome
	firstAttempt prometheus.Histogram   // s, from commit to first attempt
	jobFailures  *prometheus.CounterVec // by kind
	freed        prometheus.Counter
}

func newMetrics() *metrics {
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		return prometheus.NewCounterVec(prometheus.CounterOpts{Name: "frostgate_" + name, Help: help}, labels)
	}
	histogram := func(name, help string, from float64, n int) prometheus.Histogram {
		return prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "frostgate_" + name, Help: help, Buckets: prometheus.ExponentialBuckets(from, 2, n),
		})
	}
	return &metrics{
		pulls: counter("pulls_total", "Cells asked of a weather source, by outcome.", "source", "outcome"),
		sourceAge: prometheus.NewGaugeVec(prometheus.GaugeOpts{
			Name: "frostgate_source_age_seconds", Help: "Age of the newest weather of a source, by its own issue time.",
		}, []string{"source"}),
		assessments:  counter("assessments_total", "Pours assessed, by verdict; unchanged when the inputs were.", "verdict"),
		assessTime:   histogram("assess_seconds", "Time to compute one assessment.", 0.0005, 14),
		transitions:  counter("alert_transitions_total", "Transitions of alerts.", "event"),
		attempts:     counter("delivery_attempts_total", "Attempts to deliver a notice, by outcome.", "outcome"),
		firstAttempt: histogram("first_attempt_seconds", "Time from the commit of a notice to the first attempt at an endpoint.", 0.005, 14),
		jobFailures:  counter("job_failures_total", "Jobs that failed and are tried again.", "kind"),
		freed: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "frostgate_jobs_freed_total", Help: "Jobs taken over from replicas that fell silent.",
		}),
	}
}

func (m *metrics) register(r prometheus.Registerer) error {
	var all error
	for _, c := range []prometheus.Collector{
		m.pulls, m.sourceAge, m.assessments, m.assessTime, m.transitions, m.attempts, m.firstAttempt, m.jobFailures, m.freed,
	} {
		all = errors.Join(all, r.Register(c))
	}
	return all
}
