package alert_test

import (
	"strings"
	"testing"

	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// BenchmarkWriteLong writes a message with a line of some length, most of which has
// to be cut: the time grows no faster than the length.
func BenchmarkWriteLong(b *testing.B) {
	for _, form := range []string{alert.FormText, alert.FormContent, alert.FormEntities, alert.FormCard, alert.FormHTML, alert.FormMail} {
		for _, size := range []struct {
			name  string
			bytes int
		}{{"10kB", 10_000}, {"100kB", 100_000}, {"1MB", 1_000_000}, {"10MB", 10_000_000}} {
			for kind, char := range map[string]string{"letters": "x", "families": "👨‍👩‍👧‍👦", "marks": "\u0301"} {
				b.Run(form+"/"+kind+"/"+size.name, func(b *testing.B) {
					e := withFinding(strings.Repeat(char, size.bytes/len(char)))
					b.SetBytes(int64(size.bytes))
					for b.Loop() {
						_, _, err := alert.Write(e, form, "")
						require.NoError(b, err)
					}
				})
			}
		}
	}
}
