package board

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"sync"
	"time"

	"frostgate/db"
	"frostgate/scheduler"
)

// beat is how often a stream says that it is alive, so that proxies leave it open.
const beat = 15 * time.Second

// gather is how long changes are gathered before a page is told: a new forecast touches many pours at once.
const gather = 500 * time.Millisecond

// A hub hands what the database announces to all open streams. It listens, on one connection, only while there is one.
type hub struct {
	db   *db.DB
	mu   sync.Mutex
	open map[chan string]struct{}
	stop context.CancelFunc
}

func newHub(d *db.DB) *hub { return &hub{db: d, open: map[chan string]struct{}{}} }

// join opens a place for a stream; leave closes it.
func (h *hub) join() (heard <-chan string, leave func()) {
	h.mu.Lock()
	defer h.mu.Unlock()
	place := make(chan string, 16)
	h.open[place] = struct{}{}
	if h.stop == nil {
		ctx, cancel := context.WithCancel(context.Background())
		h.stop = cancel
		go h.listen(ctx)
	}
	return place, func() { h.leave(place) }
}

func (h *hub) leave(place chan string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.open, place)
	if len(h.open) == 0 && h.stop != nil {
		h.stop()
		h.stop = nil
	}
}

func (h *hub) listen(ctx context.Context) {
	for payload := range h.db.Listen(ctx, scheduler.EventsChannel) {
		h.tell(payload)
	}
}

// tell drops what a slow stream cannot take: it has enough to know that it should look again.
func (h *hub) tell(payload string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for place := range h.open {
		select {
		case place <- payload:
		default:
		}
	}
}

// live streams that something changed, never what: the page asks for itself again, under its own rights. The stream
// ends when the client leaves, when the server stops, or when the token is no longer valid.
func (b *Board) live(v *visit) error {
	out := http.NewResponseController(v.Response())
	// The server's limits are for requests that end; that on reading would end the stream too.
	if err := errors.Join(out.SetWriteDeadline(time.Time{}), out.SetReadDeadline(time.Time{})); err != nil {
		return fmt.Errorf("keep stream open: %w", err)
	}
	header := v.Response().Header()
	header.Set("Content-Type", "text/event-stream")
	header.Set("X-Accel-Buffering", "no")
	heard, leave := b.hub.join()
	defer leave()
	s := &stream{v: v, out: out, number: b.now().UnixMilli()}
	if err := s.write("retry: 3000\n\n"); err != nil {
		return nil //nolint:nilerr // the reader left
	}
	if v.Request().Header.Get("Last-Event-ID") != "" { // something may have been missed
		s.pending = true
	}
	return b.pump(s, heard)
}

type stream struct {
	v       *visit
	out     *http.ResponseController
	number  int64
	pending bool
}

func (s *stream) write(text string) error {
	if _, err := s.v.Response().Write([]byte(text)); err != nil {
		return err
	}
	return s.out.Flush()
}

// pump writes until the stream ends. A reader that left is no error.
func (b *Board) pump(s *stream, heard <-chan string) error {
	alive, tick := time.NewTicker(beat), time.NewTicker(gather)
	defer alive.Stop()
	defer tick.Stop()
	first := true
	for {
		var err error
		select {
		case <-s.v.ctx().Done():
			return nil
		case payload := <-heard:
			if payload == "" && first { // the listener has just connected, as the page has
				first = false
				continue
			}
			s.pending = s.pending || concerns(payload)
		case <-tick.C:
			if s.pending {
				s.number++
				s.pending = false
				err = s.write(fmt.Sprintf("id: %d\nevent: change\ndata: {}\n\n", s.number))
			}
		case <-alive.C:
			if _, unknown := b.gate.Identify(s.v.ctx(), s.v.secret, s.v.RealIP()); unknown != nil {
				return nil
			}
			err = s.write(": alive\n\n")
		}
		if err != nil {
			return nil
		}
	}
}

// concerns tells whether pages show what an event is about. Deliveries are shown nowhere.
func concerns(payload string) bool {
	var event scheduler.Event
	if payload == "" || json.Unmarshal([]byte(payload), &event) != nil {
		return true
	}
	return event.Kind != "delivery"
}
