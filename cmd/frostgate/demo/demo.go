package demo

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"time"

	"frostgate/api"
	"frostgate/cmd/frostgate/service"
	"frostgate/rules"
	"frostgate/scheduler/alert"
	"frostgate/scheduler/forecast/replay"
)

// Config says how to show the demo.
type Config struct {
	Dir         string // of everything it keeps
	DatabaseURL string // of a server, on which the demo makes a database of its own; empty runs a private one in Dir
	Listen      string // address of the service
	Keep        bool   // go on with what the last run left, instead of starting clean
	Once        bool   // end after the table
	Version     string
	Out         io.Writer
}

// A show is a running demo.
type show struct {
	Config
	week     Week
	state    state
	weather  *replay.Server
	receiver *Receiver
	service  *service.Service
	client   Client
	log      *slog.Logger
	stops    []func() error // called last to first
}

// state is what a later run needs to go on.
type state struct {
	Begin    time.Time `json:"begin"` // midnight that the week's days count from
	Token    string    `json:"token"` // of the invented contractor's dispatcher
	Receiver string    `json:"receiver"`
	Secret   string    `json:"secret"` // that signs the notices
}

// Run shows the demo until ctx ends, or until its table is printed.
func Run(ctx context.Context, c Config) (err error) {
	d := &show{Config: c, week: WinterWeek(), weather: &replay.Server{}, receiver: NewReceiver()}
	defer func() { err = errors.Join(err, d.stop()) }()
	for _, step := range []func(context.Context) error{d.prepare, d.openLog, d.startWorld, d.startService, d.load, d.printPours, d.printNotices} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	if c.Once {
		return nil
	}
	return d.stayUp(ctx)
}

func (d *show) stop() error {
	var all error
	for _, stop := range slices.Backward(d.stops) {
		all = errors.Join(all, stop())
	}
	return all
}

func (d *show) say(format string, values ...any) { fmt.Fprintf(d.Out, format+"\n", values...) }

// marker is the file by which a folder is known as a demo's own, to be emptied.
const marker = "demo.json"

// prepare readies the folder: emptied, or as the last run left it.
func (d *show) prepare(ctx context.Context) error {
	if folder := closedTo(d.Dir); folder != "" {
		d.say("%s is closed to the database's account, so the demo keeps its data in %s", folder, spare())
		d.Dir = spare()
	}
	text, err := os.ReadFile(filepath.Join(d.Dir, marker))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	known := err == nil
	if left, _ := os.ReadDir(d.Dir); !known && slices.ContainsFunc(left, notLock) { // a folder that isn't there is fine
		return fmt.Errorf("%s holds something else than a demo; name another folder with --data", d.Dir)
	}
	if err := d.claim(); err != nil {
		return err
	}
	if known && d.Keep {
		d.say("Going on with the demo in %s.", d.Dir)
		return json.Unmarshal(text, &d.state)
	}
	if err := empty(d.Dir); err != nil {
		return err
	}
	if d.DatabaseURL != "" {
		if err := makeDatabase(ctx, d.DatabaseURL); err != nil {
			return err
		}
	}
	d.state.Begin, err = Begin(time.Now())
	return errors.Join(err, d.remember())
}

// openLog keeps the service's log in the folder, so that the table can be read.
func (d *show) openLog(context.Context) error {
	file, err := os.Create(filepath.Join(d.Dir, "log"))
	if err != nil {
		return err
	}
	d.stops = append(d.stops, file.Close)
	d.log = slog.New(slog.NewTextHandler(file, nil))
	return nil
}

// remember writes the state for a later run.
func (d *show) remember() error {
	text, err := json.Marshal(d.state) //nolint:gosec // the demo keeps its own secrets in its own folder
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(d.Dir, marker), text, 0o600)
}

// startWorld starts what stands in for the world outside: weather and a receiver.
func (d *show) startWorld(ctx context.Context) error {
	var places []replay.Place
	var silent []string
	for _, site := range d.week.Sites {
		places = append(places, site.Sky(d.state.Begin).Place(site.ElevationM))
		if site.Silent {
			silent = append(silent, site.Name)
		}
	}
	d.weather.SetPlaces(places...)
	d.weather.Silence(silent...)
	receiver, err := d.listen(ctx, cmp.Or(d.state.Receiver, "127.0.0.1:0"), d.receiver)
	d.state.Receiver = receiver
	return err
}

// listen serves a handler on this machine and gives its address.
func (d *show) listen(ctx context.Context, address string, handler http.Handler) (string, error) {
	listener, err := new(net.ListenConfig).Listen(ctx, "tcp", address)
	if err != nil {
		return "", err
	}
	server := &http.Server{Handler: handler, ReadHeaderTimeout: 5 * time.Second}
	go func() { _ = server.Serve(listener) }() // ends by Close
	d.stops = append(d.stops, server.Close)
	return listener.Addr().String(), nil
}

func (d *show) startService(ctx context.Context) error {
	weather, err := d.listen(ctx, "127.0.0.1:0", d.weather)
	if err != nil {
		return err
	}
	database := service.Database{Dir: d.Dir}
	if d.DatabaseURL != "" {
		if database.URL, err = named(d.DatabaseURL, databaseName); err != nil {
			return err
		}
	}
	d.service, err = service.Start(ctx, service.Config{
		Database: database, Listen: d.Listen, Webhooks: alert.Loopback, Version: d.Version, Log: d.log,
		Weather: service.Weather{OpenMeteoURL: "http://" + weather, EnsembleURL: service.Off, PlainHTTP: true},
	})
	if err != nil {
		return err
	}
	d.stops = append(d.stops, d.service.Stop)
	d.state.Token = cmp.Or(d.service.FirstToken, d.state.Token)
	d.client = Client{URL: d.service.URL, Token: d.state.Token}
	d.say("%s, an invented contractor with a winter week ahead", d.week.Firm)
	d.say("  service   %s", d.service.URL)
	d.say("  weather   http://%s, local, in the format of a public service", weather)
	d.say("  receiver  http://%s, local, verifies each notice's signature", d.state.Receiver)
	return nil
}

// load enters the week and the endpoint, unless a former run has.
func (d *show) load(ctx context.Context) error {
	if d.state.Secret != "" {
		return d.receiver.Trust(d.state.Secret)
	}
	var made api.NewEndpoint
	endpoint := api.EndpointForm{Name: "Dispatcher's chat", URL: "http://" + d.state.Receiver}
	if err := d.client.Post(ctx, "/v1/endpoints", endpoint, &made); err != nil {
		return err
	}
	if err := d.receiver.Trust(made.Secret); err != nil {
		return err
	}
	if err := d.week.load(ctx, d.client, d.service.DB, d.state.Begin); err != nil {
		return err
	}
	d.state.Secret = made.Secret
	return d.remember()
}

// assessPatience is how long the table waits for all pours to have a verdict.
const assessPatience = 90 * time.Second

// printPours waits until every pour has been assessed, and prints them.
func (d *show) printPours(ctx context.Context) error {
	began := time.Now()
	pours, err := d.assessed(ctx)
	if err != nil {
		return err
	}
	d.say("\n%d pours assessed %.1f s after they were entered\n", len(pours), time.Since(began).Seconds())
	var rows [][]string
	for _, p := range pours {
		zone, err := time.LoadLocation(p.Timezone)
		if err != nil {
			return err
		}
		next := "-"
		if p.Latest.NextWindowAt != nil {
			next = rules.UnitsUS.Clock(p.Latest.NextWindowAt.In(zone))
		}
		rows = append(rows, []string{
			p.Name, p.SiteName, rules.UnitsUS.Clock(p.StartsAt.In(zone)), string(p.Latest.Verdict), next, shorten(cmp.Or(p.Latest.WorstReason, "-"), 110),
		})
	}
	writeTable(d.Out, []string{"Pour", "Site", "Start (local)", "Verdict", "Next window", "Worst reason"}, rows)
	return nil
}

// assessed polls the service until every pour has its verdict, and those with weather one that rests on it.
func (d *show) assessed(ctx context.Context) ([]api.PourLine, error) {
	deadline := time.Now().Add(assessPatience)
	for {
		var list struct {
			Items []api.PourLine `json:"items"`
		}
		if err := d.client.Get(ctx, "/v1/pours?limit=200", &list); err != nil {
			return nil, err
		}
		if !slices.ContainsFunc(list.Items, d.waits) {
			return list.Items, nil
		}
		if time.Now().After(deadline) {
			return nil, fmt.Errorf("the pours were not all assessed within %s; the log in %s tells why", assessPatience, d.Dir)
		}
		if err := pause(ctx, 200*time.Millisecond); err != nil {
			return nil, err
		}
	}
}

func (d *show) waits(p api.PourLine) bool {
	if p.Latest == nil {
		return true
	}
	silent := slices.ContainsFunc(d.week.Sites, func(s Site) bool { return s.Name == p.SiteName && s.Silent })
	return p.Latest.Verdict == rules.Unscored && !silent
}

func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

// quiet is how long no notice has to come before those of the table are taken to be all.
const quiet = 1500 * time.Millisecond

func (d *show) printNotices(ctx context.Context) error {
	d.say("\nNotices received")
	count := 0
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-d.service.Failed():
			return err
		case notice := <-d.receiver.Heard():
			count++
			d.printNotice(notice)
		case <-time.After(quiet):
			d.say("  %d so far", count)
			return nil
		}
	}
}

func (d *show) printNotice(n Notice) {
	seal := "signed"
	if !n.Verified {
		seal = "NOT SIGNED"
	}
	for i, line := range wrapped(n.Text(), 110) {
		d.say("  %-10s %s", map[bool]string{true: seal}[i == 0], line)
	}
}

// stayUp goes on printing notices until ctx ends.
func (d *show) stayUp(ctx context.Context) error {
	d.say("\nThe board is at %s until Ctrl-C; sign in with the token below. In another shell:", d.service.URL)
	d.say("  export TOKEN=%s", d.state.Token)
	d.say("  curl -s -H \"Authorization: Bearer $TOKEN\" %s/v1/pours?verdict=move", d.service.URL)
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-d.service.Failed():
			return err
		case notice := <-d.receiver.Heard():
			d.printNotice(notice)
		}
	}
}
