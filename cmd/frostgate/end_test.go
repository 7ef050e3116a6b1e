package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"slices"
	"strconv"
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

// kills is how often the program is killed; `make chaos` asks for more.
func kills(t *testing.T) int {
	t.Helper()
	text := os.Getenv("FROSTGATE_KILLS")
	if text == "" {
		return 20
	}
	n, err := strconv.Atoi(text)
	require.NoError(t, err)
	return n
}

// startChild runs the program as a process of its own until it answers.
func (w *world) startChild(t *testing.T, out *printed) *exec.Cmd {
	t.Helper()
	child := exec.Command(os.Args[0], w.args...)
	child.Env = append(os.Environ(), asProgram+"=1")
	child.Stdout, child.Stderr = out, out
	require.NoError(t, child.Start())
	eventually(t, 30*time.Second, "ready: "+out.String(), func() bool {
		answer, err := http.Get(w.url() + "/readyz")
		if err != nil {
			return false
		}
		defer answer.Body.Close() //nolint:errcheck // only its status counts
		return answer.StatusCode == http.StatusOK
	})
	return child
}

// The program is killed again and again while pours go bad and get well. In the end each transition of each alert has
// been told, and each by one message: told twice, it has the same id and the same bytes.
func TestKill(t *testing.T) {
	w := newWorld(t)
	w.setWeather(goodDay)
	var out printed
	child := w.startChild(t, &out)
	defer func() { _ = child.Process.Kill() }()
	eventually(t, 10*time.Second, "a token", func() bool { return firstToken(out.String()) != "" })
	c := demo.Client{URL: w.url(), Token: firstToken(out.String())}
	w.trust(t, c)
	places := enterPlaces(t, c)
	var pours []uuid.UUID
	for i := range 4 {
		var made api.Saved
		require.NoError(t, c.Post(t.Context(), "/v1/pours", places.form(fmt.Sprint("Bay ", i), time.Now().Add(time.Duration(26+2*i)*time.Hour).Truncate(time.Hour)), &made))
		pours = append(pours, made.ID)
	}
	random := rand.New(rand.NewPCG(1, 2))
	for n := range kills(t) {
		end := time.Now().Add(time.Duration(random.IntN(900)) * time.Millisecond)
		for i := 0; time.Now().Before(end); i++ {
			baseTempC := 8.0
			if random.IntN(2) == 0 {
				baseTempC = -6
			}
			_ = setBase(t, c, pours[i%len(pours)], baseTempC) // the kill may come before the answer
			time.Sleep(time.Duration(random.IntN(60)) * time.Millisecond)
		}
		require.NoError(t, child.Process.Kill())
		_ = child.Wait() // killed
		t.Logf("killed %d times, %d notices so far", n+1, len(w.receiver.Notices()))
		child = w.startChild(t, &out)
	}
	for _, pour := range pours {
		require.NoError(t, setBase(t, c, pour, -6))
	}
	eventually(t, time.Minute, "all pours to be moved", func() bool {
		return !slices.ContainsFunc(pours, func(id uuid.UUID) bool { return verdictOf(t, c, id) != rules.Move })
	})
	var deliveries []api.DeliveryLine
	eventually(t, 2*time.Minute, "all deliveries to be settled", func() bool {
		deliveries = all[api.DeliveryLine](t, c, "/v1/deliveries")
		return !slices.ContainsFunc(deliveries, func(d api.DeliveryLine) bool { return d.State == "pending" })
	})
	w.requireAllTold(t, c, deliveries)
	require.NoError(t, child.Process.Signal(syscall.SIGTERM))
	require.NoError(t, child.Wait(), out.String())
}

// setBase says how warm the ground under a pour is: below freezing it has to be moved.
func setBase(t *testing.T, c demo.Client, pour uuid.UUID, tempC float64) error {
	t.Helper()
	return c.Patch(t.Context(), "/v1/pours/"+pour.String(), map[string]any{"base": map[string]any{"temps_c": groundAt(tempC)}})
}

func groundAt(tempC float64) []rules.DepthTemp {
	return []rules.DepthTemp{{DepthMM: 0, TempC: tempC}, {DepthMM: 2000, TempC: tempC}}
}

// told names what a message says: a transition of an alert.
type told struct {
	alert      uuid.UUID
	transition int
}

func (w *world) requireAllTold(t *testing.T, c demo.Client, deliveries []api.DeliveryLine) {
	t.Helper()
	messages := map[told]demo.Notice{}
	for _, n := range w.alerts(t) {
		require.True(t, n.Verified)
		e := eventOf(t, n)
		key := told{e.Alert.ID, e.Alert.Transition}
		if before, again := messages[key]; again {
			require.Equal(t, before.ID, n.ID, "told again under another id")
			require.Equal(t, string(before.Body), string(n.Body), "told again in other words")
		}
		messages[key] = n
	}
	accepted := map[told]bool{}
	for _, d := range deliveries {
		if d.AlertID == nil { // a call of the clock
			continue
		}
		key := told{*d.AlertID, *d.Transition}
		require.False(t, accepted[key], "two deliveries of one transition")
		require.Equal(t, "accepted", d.State, d.Reason)
		require.Equal(t, d.WebhookID, messages[key].ID)
		accepted[key] = true
	}
	require.Len(t, messages, len(accepted), "told what never happened")
	transitions := 0
	for _, a := range all[api.Alert](t, c, "/v1/alerts") {
		var history struct{ Items []api.Transition }
		require.NoError(t, c.Get(t.Context(), "/v1/alerts/"+a.ID.String()+"/history", &history))
		numbers := map[int]bool{}
		for _, step := range history.Items {
			numbers[step.Number] = true
			require.True(t, accepted[told{a.ID, step.Number}], "transition %d of %s was lost", step.Number, a.ID)
		}
		require.Len(t, numbers, a.Transition, "transitions without gaps")
		transitions += len(numbers)
	}
	require.Equal(t, len(accepted), transitions)
	require.GreaterOrEqual(t, transitions, 4, "each pour was bad in the end")
	t.Logf("%d transitions, %d messages", transitions, len(w.receiver.Notices()))
}

// all reads every page of a list.
func all[T any](t *testing.T, c demo.Client, path string) []T {
	t.Helper()
	var list []T
	for next := path + "?limit=200"; next != ""; {
		var page struct{ Items []T }
		link, err := c.GetPage(t.Context(), next, &page)
		require.NoError(t, err)
		list, next = append(list, page.Items...), link
	}
	return list
}
