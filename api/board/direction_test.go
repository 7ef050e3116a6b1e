package board

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// Unicode UAX #9, BD9 to BD13: an isolate ends at its matching PDI, an embedding or override at its PDF.
func TestTextsCloseTheDirectionsTheyOpen(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"Bay 3":                             "Bay 3",
		"\u202eabc":                         "\u202eabc\u202c",
		"\u2067a\u202bb":                    "\u2067a\u202bb\u202c\u2069",
		"a\u2069b\u202cc":                   "abc",
		"\u2068a\u2069":                     "\u2068a\u2069",
		"\u202ea\u2069b":                    "\u202eab\u202c",
		"\u05d0 \u2066\u2066x\u2069 \u200f": "\u05d0 \u2066\u2066x\u2069 \u200f\u2069",
	} {
		require.Equal(t, want, closed(text), "%q", text)
	}
	page := "<p title=\"\u202ea\">x<bdi>\u2067n</bdi></p><textarea name=\"\u202e\">\u202ekept</textarea><b>\u202e</b>"
	require.Equal(t, "<p title=\"\u202ea\">x<bdi>\u2067n\u2069</bdi></p><textarea name=\"\u202e\">\u202ekept</textarea><b>\u202e\u202c</b>", string(selfContained([]byte(page))))
	plain := []byte("<p>nothing</p>")
	require.Equal(t, plain, selfContained(plain))
}
