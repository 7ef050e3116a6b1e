package main

import (
	"bytes"
	"context"
	"encoding/json"
	"net"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"frostgate/api"
	"frostgate/cmd/frostgate/demo"
	"frostgate/rules"
	"frostgate/scheduler/alert"
	"frostgate/scheduler/forecast/replay"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// asProgram makes the test binary behave as the program itself, so that tests can kill it.
const asProgram = "FROSTGATE_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
		return
	}
	os.Exit(m.Run())
}

// world is what the service meets outside: weather and a receiver of notices.
type world struct {
	weather  *replay.Server
	receiver *demo.Receiver
	hook     string // the receiver's URL
	args     []string
}

func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{weather: &replay.Server{}, receiver: demo.NewReceiver()}
	weather, hook := httptest.NewServer(w.weather), httptest.NewServer(w.receiver)
	t.Cleanup(weather.Close)
	t.Cleanup(hook.Close)
	w.hook = hook.URL
	w.args = []string{
		"serve", "--data=" + openFolder(t), "--listen=" + freeAddress(t), "--allow-webhooks=127.0.0.0/8", "--plain-http",
		"--open-meteo-url=" + weather.URL, "--ensemble-url=off", "--nws-url=off", "--met-norway-url=off",
		"--group-window=0s", "--most-messages=0", // each transition by a message of its own
	}
	return w
}

// openFolder is a folder that the private server's account may enter, which t.TempDir isn't.
func openFolder(t *testing.T) string {
	t.Helper()
	folder, err := os.MkdirTemp("", "frostgate-*")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(folder, 0o755))
	t.Cleanup(func() { _ = os.RemoveAll(folder) })
	return folder
}

func freeAddress(t *testing.T) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer listener.Close() //nolint:errcheck // freed for the program
	return listener.Addr().String()
}

func (w *world) url() string { return "http://" + strings.TrimPrefix(w.args[2], "--listen=") }

// setWeather gives the site the same weather every day.
func (w *world) setWeather(day demo.Day) {
	sky := demo.Sky{Name: testSite.Name, Latitude: testSite.Latitude, Longitude: testSite.Longitude, Anchor: time.Now(), Course: []demo.Day{day}}
	w.weather.SetPlaces(sky.Place(testSite.ElevationM))
}

// trust makes the receiver an endpoint of the service.
func (w *world) trust(t *testing.T, c demo.Client) {
	t.Helper()
	var made api.NewEndpoint
	require.NoError(t, c.Post(t.Context(), "/v1/endpoints", api.EndpointForm{Name: "Receiver", URL: w.hook}, &made))
	require.NoError(t, w.receiver.Trust(made.Secret))
}

// next waits for a notice on an alert. What the clock has to say of a pour comes besides, at some times of the day.
func (w *world) next(t *testing.T, within time.Duration) demo.Notice {
	t.Helper()
	late := time.After(within)
	for {
		select {
		case n := <-w.receiver.Heard():
			if eventOf(t, n).Call == nil {
				return n
			}
		case <-late:
			t.Fatalf("no notice within %s", within)
			return demo.Notice{}
		}
	}
}

// alerts are the notices that are on an alert.
func (w *world) alerts(t *testing.T) []demo.Notice {
	t.Helper()
	return slices.DeleteFunc(slices.Clone(w.receiver.Notices()), func(n demo.Notice) bool { return eventOf(t, n).Call != nil })
}

var (
	badDay  = demo.Day{MeanC: -12, SwingC: 3, Cloud: 0.2, WindMS: 4, DryC: 3}
	goodDay = demo.Day{MeanC: 13, SwingC: 3, Cloud: 0.4, WindMS: 2, DryC: 2}
)

// printed collects what the program says.
type printed struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (p *printed) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.text.Write(b)
}

func (p *printed) String() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.text.String()
}

const tokenLine = "The first dispatcher's token, shown only now: "

func firstToken(text string) string {
	for line := range strings.SplitSeq(text, "\n") {
		if token, ok := strings.CutPrefix(line, tokenLine); ok {
			return token
		}
	}
	return ""
}

// eventually waits until a condition holds; what is shown when it doesn't in time.
func eventually(t *testing.T, within time.Duration, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(within); !holds(); time.Sleep(50 * time.Millisecond) {
		require.True(t, time.Now().Before(end), "not within %s: %s", within, what)
	}
}

// slabAt is a site with one floor, started from now at a full hour, and its people.
type slabAt struct {
	site, plant, crew, mix uuid.UUID
}

var testSite = api.SiteForm{Name: "Yard", Latitude: 44.1, Longitude: -91.3, ElevationM: 250, Timezone: "America/Chicago"}

func enterPlaces(t *testing.T, c demo.Client) slabAt {
	t.Helper()
	create := func(path string, form any) uuid.UUID {
		var made api.Saved
		require.NoError(t, c.Post(t.Context(), path, form, &made))
		return made.ID
	}
	return slabAt{
		site:  create("/v1/sites", testSite),
		plant: create("/v1/plants", api.PlantForm{Name: "Plant"}),
		crew:  create("/v1/crews", api.CrewForm{Name: "Crew", DayStarts: "00:00", DayEnds: "24:00"}),
		mix: create("/v1/mixes", api.MixForm{
			Name: "Mix", CementType: "III", CementKgM3: 360, WaterKgM3: 160, AggregateKgM3: 1830, StrengthMPa: 27.6,
			Admixtures: []rules.Admixture{{Kind: "nonchloride_accelerator", DosePct: 2}},
		}),
	}
}

func (p slabAt) form(name string, startsAt time.Time) api.PourForm {
	until := startsAt.Add(time.Hour)
	return api.PourForm{
		Name: name, SiteID: p.site, PlantID: p.plant, CrewID: p.crew, MixID: p.mix, StartsAt: startsAt, OccupiedUntil: &until,
		Element: rules.SlabOnGround, ThicknessMM: 150, AreaM2: 40, Lights: true, Base: rules.Base{Material: "gravel", DepthMM: 200, Temps: groundAt(8)},
	}
}

func verdictOf(t *testing.T, c demo.Client, pour uuid.UUID) rules.Verdict {
	t.Helper()
	var list struct{ Items []api.PourLine }
	require.NoError(t, c.Get(t.Context(), "/v1/pours?limit=200", &list))
	for _, p := range list.Items {
		if p.ID == pour && p.Latest != nil {
			return p.Latest.Verdict
		}
	}
	return ""
}

func eventOf(t *testing.T, n demo.Notice) alert.Event {
	t.Helper()
	var e alert.Event
	require.NoError(t, json.Unmarshal(n.Body, &e), string(n.Body))
	return e
}

// One bad night, from the pull to the signed notice, and back to cleared when the forecast has turned.
func TestOneBadNight(t *testing.T) {
	w := newWorld(t)
	w.setWeather(badDay)
	ctx, stop := context.WithCancel(t.Context())
	var stdout, stderr printed
	ended := make(chan error, 1)
	go func() { ended <- run(ctx, w.args, strings.NewReader(""), &stdout, &stderr) }()
	defer stop()
	eventually(t, 30*time.Second, "a token", func() bool { return firstToken(stdout.String()) != "" })
	c := demo.Client{URL: w.url(), Token: firstToken(stdout.String())}
	w.trust(t, c)
	places := enterPlaces(t, c)
	var pour api.Saved
	require.NoError(t, c.Post(t.Context(), "/v1/pours", places.form("Bay 1", time.Now().Add(30*time.Hour).Truncate(time.Hour)), &pour))

	raised := w.next(t, 30*time.Second)
	told := eventOf(t, raised)
	require.True(t, raised.Verified)
	require.Equal(t, alert.EventRaised, told.Type)
	require.Equal(t, alert.PourMove, told.Alert.Kind)
	require.Equal(t, pour.ID, told.Pour.ID)
	require.Contains(t, told.Text, "Bay 1")
	require.Equal(t, rules.Move, verdictOf(t, c, pour.ID))

	w.receiver.RefuseNext(1)
	w.setWeather(goodDay)
	// What an operator does to have the weather looked at now; a model's run is told apart by the second.
	askAnew := time.AfterFunc(2*time.Second, func() { _ = syscall.Kill(os.Getpid(), syscall.SIGHUP) })
	defer askAnew.Stop()
	cleared := w.next(t, time.Minute)
	told = eventOf(t, cleared)
	require.True(t, cleared.Verified, "signed anew on the second try")
	require.Equal(t, alert.EventCleared, told.Type)
	require.Equal(t, eventOf(t, raised).Alert.ID, told.Alert.ID)
	require.NotEqual(t, raised.ID, cleared.ID)
	require.NotEqual(t, rules.Move, verdictOf(t, c, pour.ID))

	stop()
	select {
	case err := <-ended:
		require.NoError(t, err, stderr.String())
	case <-time.After(2 * time.Minute):
		t.Fatal("it does not stop")
	}
	require.NotContains(t, stdout.String()+stderr.String(), "whsec_")
	require.Len(t, w.alerts(t), 2)
}

// The demo shows each verdict and hears signed notices, and a second run starts clean.
func TestDemo(t *testing.T) {
	folder := openFolder(t)
	for range 2 {
		out, _, err := say(t, "demo", "--once", "--listen=127.0.0.1:0", "--data="+folder+"/demo")
		require.NoError(t, err)
		for pour, verdict := range map[string]string{
			"Fen Road floor, bay 1": "move", "Alder Lane slab": "protect", "Gym floor, east half": "(move|protect)", "Dairy footings": "place", "Salt shed slab": "unscored",
		} {
			require.Regexp(t, `(?m)^`+pour+` .* `+verdict+` `, out)
		}
		require.Contains(t, out, "12 pours assessed")
		require.Regexp(t, `(?m)^  signed +Move: Fen Road floor, bay 1`, out)
		require.NotContains(t, out, "NOT SIGNED")
	}
}
