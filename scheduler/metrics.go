package scheduler

import (
	"errors"
	"strconv"

	"frostgate/scheduler/forecast"

	"github.com/prometheus/client_golang/prometheus"
)

// metrics are what an operator watches. The ages of the sources are what to be
// woken by.
type metrics struct {
	pulls        *prometheus.CounterVec // by source and outcome
	sourceAge    *prometheus.GaugeVec   // s, by source: of its newest issue
	hostCalls    *prometheus.CounterVec // by host and status; 0 without an answer
	hostBytes    *prometheus.CounterVec // by host
	hostTime     *prometheus.CounterVec // s, by host: spent on calls
	hostSkew     *prometheus.GaugeVec   // s, by host: its clock ahead of ours
	hostOpen     *prometheus.GaugeVec   // by host: 1 while its breaker is open
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
	gauge := func(name, help string, labels ...string) *prometheus.GaugeVec {
		return prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "frostgate_" + name, Help: help}, labels)
	}
	histogram := func(name, help string, from float64, n int) prometheus.Histogram {
		return prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "frostgate_" + name, Help: help, Buckets: prometheus.ExponentialBuckets(from, 2, n),
		})
	}
	return &metrics{
		pulls:        counter("pulls_total", "Cells asked of a weather source, by outcome.", "source", "outcome"),
		sourceAge:    gauge("source_age_seconds", "Age of the newest weather of a source, by its own issue time; of warnings by the last answer.", "source"),
		hostCalls:    counter("weather_calls_total", "Calls of a weather host, by status of the answer; 0 without one.", "host", "status"),
		hostBytes:    counter("weather_bytes_total", "Bytes read from a weather host, unpacked.", "host"),
		hostTime:     counter("weather_call_seconds_total", "Time spent on calls of a weather host.", "host"),
		hostSkew:     gauge("weather_clock_skew_seconds", "By how much the clock of a weather host is ahead of this machine's.", "host"),
		hostOpen:     gauge("weather_breaker_open", "1 while a weather host is left alone because it fails.", "host"),
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
		m.pulls, m.sourceAge, m.hostCalls, m.hostBytes, m.hostTime, m.hostSkew, m.hostOpen, m.assessments, m.assessTime, m.transitions, m.attempts, m.firstAttempt, m.jobFailures, m.freed,
	} {
		all = errors.Join(all, r.Register(c))
	}
	return all
}

// countCall counts a call of a weather host.
func (m *metrics) countCall(c forecast.Call) {
	m.hostCalls.WithLabelValues(c.Host, strconv.Itoa(c.Status)).Inc()
	m.hostBytes.WithLabelValues(c.Host).Add(float64(c.Bytes))
	m.hostTime.WithLabelValues(c.Host).Add(c.Took.Seconds())
	if c.Skew != nil {
		m.hostSkew.WithLabelValues(c.Host).Set(c.Skew.Seconds())
	}
}
