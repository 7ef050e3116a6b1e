package board

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"time"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler/alert"
	"frostgate/scheduler/forecast"

	"github.com/labstack/echo/v4"
)

//go:embed templates assets
var files embed.FS

// Config sets up the board.
type Config struct {
	DB   *db.DB       // required
	Gate *access.Gate // who is asking; required
	API  http.Handler // the JSON API, by which the board makes changes; required

	Known   func(context.Context, *access.Caller) // told who asks for a page, for the log; may be nil
	Weather []forecast.About                      // the services that weather comes from, for their credits

	// AcknowledgeBy acknowledges an alert by the link of a message; nil has no such links.
	AcknowledgeBy func(ctx context.Context, l alert.AckLink, name, note string) error

	Spec      []byte           // OpenAPI document of the API; empty leaves its page without operations
	Log       *slog.Logger     // nil is silent
	Clock     func() time.Time // nil is the clock of the system
	Version   string           // of the program, for the foot of pages
	PublicURL string           // at which people reach the board, for links that leave it; empty takes the request's
}

// Board answers for the pages. It is safe for concurrent use.
type Board struct {
	db        *db.DB
	gate      *access.Gate
	api       http.Handler
	log       *slog.Logger
	now       func() time.Time
	version   string
	publicURL string
	pages     map[string]*template.Template
	assets    map[string]asset
	reference []section
	hub       *hub
	known     func(context.Context, *access.Caller)
	credits   []credit
	origins   *http.CrossOriginProtection

	acknowledgeBy func(ctx context.Context, l alert.AckLink, name, note string) error
}

// New reads the templates and the API's document. It touches the database only when requests come.
func New(c Config) (*Board, error) {
	if c.DB == nil || c.Gate == nil || c.API == nil {
		return nil, errors.New("the board needs a database, a gate and the API")
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.Clock == nil {
		c.Clock = time.Now
	}
	b := &Board{
		db: c.DB, gate: c.Gate, api: c.API, log: c.Log, now: c.Clock, version: c.Version,
		publicURL: strings.TrimRight(c.PublicURL, "/"), hub: newHub(c.DB), origins: http.NewCrossOriginProtection(),
		acknowledgeBy: c.AcknowledgeBy, known: c.Known, credits: creditsOf(c.Weather),
	}
	var err error
	if b.assets, err = readAssets(); err != nil {
		return nil, err
	}
	if b.pages, err = b.readPages(); err != nil {
		return nil, err
	}
	if b.reference, err = readReference(c.Spec); err != nil {
		return nil, err
	}
	return b, nil
}

// Register adds the board's routes.
func (b *Board) Register(e *echo.Echo) {
	e.GET("/", b.page(b.week))
	e.GET("/plants", b.page(b.plants))
	e.GET("/alerts", b.page(b.alerts))
	e.GET("/alerts/:id", b.page(b.alert))
	e.POST("/seen", b.page(b.see))
	e.POST("/alerts/:id/acknowledge", b.page(b.acknowledge))
	e.GET("/alerts/:id/shelve", b.page(b.shelvePage))
	e.POST("/alerts/:id/shelve", b.page(b.shelve))
	for _, t := range []takingBack{unshelving, unacknowledging} {
		e.GET("/alerts/:id/"+t.step, b.page(b.askBack(t)))
		e.POST("/alerts/:id/"+t.step, b.page(b.takeBack(t)))
	}
	e.GET("/deliveries/:id", b.page(b.deliveryPage))
	e.GET("/deliveries/:id/again", b.page(b.askAgain))
	e.POST("/deliveries/:id/again", b.page(b.sendAgain))
	e.GET("/firm/endpoints/:id/rotate", b.page(b.askEndpoint("New signing secret", "Whoever checks the signatures of messages needs it. For a day, messages are signed with the old one, too.")))
	e.POST("/firm/endpoints/:id/rotate", b.page(b.rotateSecret))
	e.GET("/firm/endpoints/:id/test", b.page(b.askEndpoint("Send a test", "A message that says that it is a test goes there now.")))
	e.POST("/firm/endpoints/:id/test", b.page(b.testEndpoint))
	e.GET("/firm/endpoints/:id/restore", b.page(b.askEndpoint("Restore", "What waits for it is sent, and the other endpoints are told.")))
	e.POST("/firm/endpoints/:id/restore", b.page(b.restoreEndpoint))
	e.GET("/pours/new", b.page(b.newForm(pourKind())))
	e.POST("/pours/new", b.page(b.createRecord(pourKind())))
	e.GET("/pours/table", b.page(b.tablePage))
	e.POST("/pours/table", b.page(b.sendTable))
	e.GET("/pours/:id", b.page(b.pour))
	e.GET("/pours/:id/edit", b.page(b.editForm(pourKind())))
	e.POST("/pours/:id/edit", b.page(b.updateRecord(pourKind())))
	b.registerRecords(e)
	e.GET("/pours/:id/sheet", b.page(b.sheet))
	e.POST("/pours/:id/observations", b.page(b.observe))
	e.GET("/pours/:id/step/:step", b.page(b.confirm))
	e.POST("/pours/:id/step/:step", b.page(b.take))
	e.GET("/p/:short", b.page(b.short))
	e.GET("/calendar", b.page(b.calendars))
	e.GET("/calendar/:kind/:id/:key", b.open(b.feed))
	e.GET("/reference", b.page(b.referencePage))
	e.GET("/live", b.page(b.live))
	if b.acknowledgeBy != nil {
		e.GET("/a/:token", b.byLink(b.ackLinkPage))
		e.POST("/a/:token", b.byLink(b.followAckLink))
	}
	e.GET("/sign-in", b.open(b.signInPage))
	e.POST("/sign-in", b.open(b.signIn))
	e.POST("/sign-out", b.open(b.signOut))
	e.GET("/assets/:name", b.open(b.asset))
}

// A visit is one request to a page by somebody known.
type visit struct {
	echo.Context
	caller *access.Caller
	secret string // of the caller's token
	firm   db.Firm
	now    time.Time
}

func (v *visit) ctx() context.Context { return v.Request().Context() }

// units is the firm's voice where no time is said.
func (v *visit) units() voice { return newVoice(v.firm.Units, "UTC") }

// may tells whether the caller may do what needs one of the roles.
func (v *visit) may(roles ...access.Role) bool {
	return slices.Contains(roles, v.caller.Role)
}

func (v *visit) dispatcher() bool { return v.may(access.Dispatcher) }
func (v *visit) inOffice() bool   { return v.may(access.Dispatcher, access.Viewer) }
func (v *visit) onSite() bool     { return v.may(access.Dispatcher, access.Field) }

// policy lets a page load nothing but our own files, and nobody frame it.
const policy = "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'"

// open wraps a handler that needs nobody to be signed in.
func (b *Board) open(handle func(echo.Context) error) echo.HandlerFunc {
	return b.byLink(func(c echo.Context) error {
		if err := b.origins.Check(c.Request()); err != nil {
			return &trouble{Status: http.StatusForbidden, Text: "The form was sent from another site.", Advice: "Open the board itself and try again."}
		}
		return handle(c)
	})
}

// byLink wraps a handler whose address is all the right that it takes: no cookie
// counts, so that it does not matter from where a form is sent. Browsers hide that
// where they are to send no referrer.
func (b *Board) byLink(handle func(echo.Context) error) echo.HandlerFunc {
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if err := handle(c); err != nil {
			return b.fail(c, nil, err)
		}
		return nil
	}
}

// page wraps a handler that needs somebody to be signed in.
func (b *Board) page(handle func(*visit) error) echo.HandlerFunc {
	return b.open(func(c echo.Context) error {
		secret := b.cookie(c)
		caller, err := b.gate.Identify(c.Request().Context(), secret, c.RealIP())
		if errors.Is(err, access.ErrUnknown) {
			return b.toSignIn(c)
		}
		if err != nil {
			return err
		}
		if b.known != nil {
			b.known(c.Request().Context(), caller)
		}
		v := &visit{Context: c, caller: caller, secret: secret, now: b.now()}
		if quota := b.gate.Allow(caller); !quota.OK {
			return &access.TooManyError{RetryIn: quota.RetryIn}
		}
		if v.firm, err = b.db.Firm(v.ctx()); err != nil {
			return err
		}
		if err := handle(v); err != nil {
			return b.fail(c, v, err)
		}
		return nil
	})
}

// A frame is what stands around every page.
type frame struct {
	Title   string
	Nav     string // the part of the board that the page belongs to
	Firm    string
	Who     string
	Role    access.Role
	Edits   bool
	Version string
	Style   string // addresses of our two files
	Script  string
	Live    bool // the page is worth keeping fresh
	Done    string
	Credits []credit
	Page    any
}

// A credit is what a weather service asks to have beside its data.
type credit struct{ Text, Link string }

// creditsOf says each credit once.
func creditsOf(sources []forecast.About) []credit {
	var all []credit
	for _, s := range sources {
		if c := (credit{s.Attribution, s.Link}); c.Text != "" && !slices.Contains(all, c) {
			all = append(all, c)
		}
	}
	return all
}

// done are the words for what a form has just done, by the name in the address.
var done = map[string]string{
	"observed": "Entered. The pour is being assessed anew.", "acknowledged": "Acknowledged.", "shelved": "Shelved. What happens to it is kept and not told until then.", "unshelved": "Taken up again.", "unacknowledged": "Taken back. Reminders go on until somebody acknowledges it.",
	"tested_accepted": "The test message was taken.", "tested_retry": "The test message was not taken; it might be later. Look at the address, or try again.",
	"tested_permanent": "The test message was refused for good. Look at the address and the kind.", "tested_gone": "The receiver says that it is no more. Make a new address there and enter it.",
	"tested_unknown": "The test message was sent, and no answer came. Look there whether it arrived.", "restarted": "Restored. What waited for it is being sent.",
	"moved": "Moved. The pour is being assessed anew.",
	"place": "Marked as placed. Protection is followed from here on.", "release": "Marked as released.", "cancel": "Cancelled.", "reopen": "Taken back.",
	"again":   "It is being sent again.",
	"planned": "Saved. What it holds back is kept, and says so.", "ended": "Ended. Alerts are told again from now on.",
	"revoked": "Revoked. Whoever held it is signed out.",
	"kept":    "Saved.", "archived": "Archived. It is no longer offered; what rests on it stays.", "restored": "Offered again.", "deleted": "Deleted.",
	"table": "All rows are written. New pours are being assessed.",
	"saved": "Saved. The pour is being assessed.",
}

// show draws a page for somebody signed in.
func (b *Board) show(v *visit, name, nav, title string, page any) error {
	return b.draw(v.Context, v, http.StatusOK, name, frame{Title: title, Nav: nav, Live: true, Done: done[v.QueryParam("done")], Page: page})
}

func (b *Board) draw(c echo.Context, v *visit, status int, name string, f frame) error {
	if v != nil {
		f.Firm, f.Who, f.Role, f.Edits = v.firm.Name, v.caller.Name, v.caller.Role, v.dispatcher()
		f.Credits = b.credits
	}
	f.Firm = cmp.Or(f.Firm, "frostgate")
	f.Version, f.Style, f.Script = b.version, b.assets["board.css"].address, b.assets["board.js"].address
	var text bytes.Buffer
	if err := b.pages[name].ExecuteTemplate(&text, "layout", f); err != nil {
		return fmt.Errorf("draw %s: %w", name, err)
	}
	return c.HTMLBlob(status, selfContained(text.Bytes()))
}

// A trouble is what could not be done, in words for people.
type trouble struct {
	Status int
	Text   string
	Advice string
	Fields map[string]string // what is wrong with a field of the form
}

// Error is for logs and tests.
func (t *trouble) Error() string { return fmt.Sprintf("%d %s", t.Status, t.Text) }

// fail draws the page of an error. Its cause goes to the log, never to the page.
func (b *Board) fail(c echo.Context, v *visit, err error) error {
	if c.Response().Committed || errors.Is(err, context.Canceled) {
		return nil
	}
	t := b.troubleOf(err)
	if t.Status >= http.StatusInternalServerError {
		b.log.ErrorContext(c.Request().Context(), "page failed", "route", c.Path(), "error", err)
	}
	return b.draw(c, v, t.Status, "trouble", frame{Title: http.StatusText(t.Status), Page: t})
}

func (b *Board) troubleOf(err error) *trouble {
	var t *trouble
	var tooMany *access.TooManyError
	switch {
	case errors.As(err, &t):
		return t
	case errors.As(err, &tooMany):
		return &trouble{
			Status: http.StatusTooManyRequests, Text: "Too many requests came in a short time.",
			Advice: fmt.Sprintf("Try again in %s.", tooMany.RetryIn.Round(time.Second)),
		}
	case errors.Is(err, db.ErrNotFound):
		return &trouble{
			Status: http.StatusNotFound, Text: "There is nothing here, or it is outside what your token may see.",
			Advice: "Go back to the week, or ask the dispatcher for a token that includes this crew or plant.",
		}
	case errors.Is(err, db.ErrUnavailable), errors.Is(err, context.DeadlineExceeded):
		return &trouble{Status: http.StatusServiceUnavailable, Text: "The database is out of reach or busy.", Advice: "Nothing is lost. Try again in a moment; if it stays, tell whoever runs frostgate."}
	}
	return &trouble{Status: http.StatusInternalServerError, Text: "Something went wrong on our side.", Advice: "Try again. If it stays, tell whoever runs frostgate and say at what time it happened."}
}

// An asset is one of our files, under an address that changes with its content.
type asset struct {
	address, kind string
	content       []byte
}

func readAssets() (map[string]asset, error) {
	kinds := map[string]string{"css": "text/css; charset=utf-8", "js": "text/javascript; charset=utf-8", "svg": "image/svg+xml"}
	assets := map[string]asset{}
	found, err := fs.ReadDir(files, "assets")
	if err != nil {
		return nil, fmt.Errorf("read assets: %w", err)
	}
	for _, entry := range found {
		content, err := files.ReadFile("assets/" + entry.Name())
		if err != nil {
			return nil, fmt.Errorf("read asset: %w", err)
		}
		sum := sha256.Sum256(content)
		_, ending, _ := strings.Cut(entry.Name(), ".")
		assets[entry.Name()] = asset{
			address: "/assets/" + entry.Name() + "?v=" + hex.EncodeToString(sum[:6]), kind: kinds[ending], content: content,
		}
	}
	return assets, nil
}

func (b *Board) asset(c echo.Context) error {
	a, ok := b.assets[c.Param("name")]
	if !ok {
		return db.ErrNotFound
	}
	c.Response().Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	return c.Blob(http.StatusOK, a.kind, a.content)
}

func (b *Board) readPages() (map[string]*template.Template, error) {
	helpers := template.FuncMap{"word": func(v any) string { return verdictWord(rules.Verdict(fmt.Sprint(v))) }, "percent": percent, "tie": tie, "lower": strings.ToLower}
	common, err := template.New("").Funcs(helpers).ParseFS(files, "templates/layout.html", "templates/parts.html")
	if err != nil {
		return nil, fmt.Errorf("read templates: %w", err)
	}
	pages := map[string]*template.Template{}
	found, err := fs.Glob(files, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("read templates: %w", err)
	}
	for _, path := range found {
		name := strings.TrimSuffix(strings.TrimPrefix(path, "templates/"), ".html")
		if name == "layout" || name == "parts" {
			continue
		}
		page, err := common.Clone()
		if err == nil {
			_, err = page.ParseFS(files, path)
		}
		if err != nil {
			return nil, fmt.Errorf("read template %s: %w", name, err)
		}
		pages[name] = page
	}
	return pages, nil
}

func verdictWord(v rules.Verdict) string {
	switch v {
	case rules.Place:
		return "Place"
	case rules.Protect:
		return "Protect"
	case rules.Move:
		return "Move"
	}
	return "Unscored"
}

func percent(p *float64) string {
	if p == nil {
		return ""
	}
	return rules.Percent(*p)
}
