package alert_test

import (
	"strings"
	"testing"

	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// What people write about an alert is text in every form of message, whatever it is.
func TestHandlingInEveryForm(t *testing.T) {
	t.Parallel()
	for _, event := range []string{alert.EventAcknowledged, alert.EventUnacknowledged, alert.EventShelved} {
		e := alert.Sample()
		e.Type, e.Handling = event, &alert.EventHandling{By: "<!channel> Ann", Note: "a\r\nBcc: b@example.com\r\n\r\n<script>*bold*</script> @everyone"}
		e.Compose()
		require.Contains(t, e.Text, "by <!channel> Ann: Loading dock slab")
		require.Contains(t, e.Text, "Note: a")
		_, entities := write(t, e, alert.FormEntities)
		require.NotContains(t, entities, "<!channel>")
		_, markdown := write(t, e, alert.FormMarkdown)
		require.NotContains(t, markdown, "@everyone")
		require.NotContains(t, markdown, " *bold*")
		_, mail := write(t, e, alert.FormMail)
		require.Empty(t, requireMail(t, []byte(mail)).Header.Get("Bcc"))
		_, marked, _ := strings.Cut(mail, "text/html")
		require.Contains(t, marked, "&lt;script&gt;")
		require.NotContains(t, marked, "<script>")
	}
	e := alert.Sample()
	e.Type, e.Pour, e.Source, e.Handling = alert.EventAcknowledged, nil, &alert.EventSource{Name: "nws"}, &alert.EventHandling{By: "Ann"}
	e.Compose()
	require.Contains(t, e.Text, "Acknowledged by Ann: no fresh weather from nws.")
	require.NotContains(t, e.Text, "Note")
}
