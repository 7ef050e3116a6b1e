package replay

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"
)

// A Fault answers in place of a service, which it may ask for its good answer.
type Fault func(w http.ResponseWriter, r *http.Request, good http.Handler)

// StallHeader keeps the client waiting for an answer.
func StallHeader(_ http.ResponseWriter, r *http.Request, _ http.Handler) { <-r.Context().Done() }

// StallBody sends the first part of the good answer and nothing more.
func StallBody(bytes int) Fault {
	return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		body := take(w, r, good)
		_, _ = w.Write(body[:min(bytes, len(body))]) //nolint:gosec // its own text, never a page
		_ = http.NewResponseController(w).Flush()
		<-r.Context().Done()
	}
}

// Drip sends the good answer byte by byte with a pause after each.
func Drip(pause time.Duration) Fault {
	return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		for _, b := range take(w, r, good) {
			if _, err := w.Write([]byte{b}); err != nil || r.Context().Err() != nil { //nolint:gosec // its own text, never a page
				return
			}
			_ = http.NewResponseController(w).Flush()
			time.Sleep(pause)
		}
	}
}

// Reset closes the connection without a word.
func Reset(w http.ResponseWriter, _ *http.Request, _ http.Handler) {
	if conn, _, err := http.NewResponseController(w).Hijack(); err == nil {
		_ = conn.Close()
	}
}

// Cut ends the good answer early: with a Content-Length that says so, or as if
// it were whole.
func Cut(bytes int, withLength bool) Fault {
	return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		body := take(w, r, good)
		if withLength {
			w.Header().Set("Content-Length", strconv.Itoa(len(body)))
		}
		_, _ = w.Write(body[:min(bytes, len(body))]) //nolint:gosec // its own text, never a page
	}
}

// Append adds text behind the good answer.
func Append(text string) Fault {
	return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		_, _ = w.Write(append(take(w, r, good), text...))
	}
}

// Rewrite replaces text in the good answer, all of it.
func Rewrite(pairs ...string) Fault {
	return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		_, _ = io.WriteString(w, strings.NewReplacer(pairs...).Replace(string(take(w, r, good))))
	}
}

// Edit changes the good answer.
func Edit(change func(body []byte) []byte) Fault {
	return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		_, _ = w.Write(change(take(w, r, good)))
	}
}

// Say answers with a status, a type and a body.
func Say(status int, kind, body string) Fault {
	return func(w http.ResponseWriter, _ *http.Request, _ http.Handler) {
		w.Header().Set("Content-Type", kind)
		w.WriteHeader(status)
		_, _ = io.WriteString(w, body)
	}
}

// Relabel gives the good answer another status or type.
func Relabel(status int, kind string) Fault {
	return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		body := take(w, r, good)
		if kind != "" {
			w.Header().Set("Content-Type", kind)
		}
		w.WriteHeader(status)
		_, _ = w.Write(body)
	}
}

// Header sets a header of the good answer.
func Header(name, value string) Fault {
	return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		body := take(w, r, good)
		w.Header().Set(name, value)
		_, _ = w.Write(body)
	}
}

// Refuse answers with a status and a header, and no good answer.
func Refuse(status int, name, value string) Fault {
	return func(w http.ResponseWriter, _ *http.Request, _ http.Handler) {
		w.Header().Set(name, value)
		w.WriteHeader(status)
	}
}

// RedirectLoop sends the client in circles.
func RedirectLoop(w http.ResponseWriter, r *http.Request, _ http.Handler) {
	http.Redirect(w, r, r.URL.RequestURI(), http.StatusMovedPermanently) //nolint:gosec // a fault that is asked for
}

// RedirectTo sends the client elsewhere.
func RedirectTo(address string) Fault {
	return func(w http.ResponseWriter, r *http.Request, _ http.Handler) {
		http.Redirect(w, r, address, http.StatusFound)
	}
}

// Endless never ends its answer.
func Endless(w http.ResponseWriter, _ *http.Request, _ http.Handler) {
	w.Header().Set("Content-Type", "application/json")
	part := []byte(`[1,` + strings.Repeat("1,", 4<<10))
	for {
		if _, err := w.Write(part); err != nil {
			return
		}
	}
}

// Bomb is a packed answer that unpacks to so many bytes: a packet of blanks again
// and again, packed once, since the server must not be slower than a client is
// patient.
func Bomb(bytes int64) Fault {
	return func(w http.ResponseWriter, _ *http.Request, _ http.Handler) {
		w.Header().Set("Content-Type", "application/json")
		w.Header().Set("Content-Encoding", "gzip")
		packet := packedBlanks()
		for sent := int64(0); sent < bytes; sent += blanksBytes {
			if _, err := w.Write(packet); err != nil {
				return
			}
		}
	}
}

const blanksBytes = 4 << 20

// packedBlanks is a whole gzip member; a file may have many (RFC 1952, 2.2).
var packedBlanks = sync.OnceValue(func() []byte {
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, _ = io.WriteString(z, strings.Repeat(" ", blanksBytes))
	_ = z.Close()
	return packed.Bytes()
})

// CorruptTail packs the good answer and spoils its end.
func CorruptTail(w http.ResponseWriter, r *http.Request, good http.Handler) {
	body := take(w, r, good)
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, _ = z.Write(body)
	_ = z.Close()
	spoilt := packed.Bytes()
	spoilt[len(spoilt)-6] ^= 0xff
	w.Header().Set("Content-Encoding", "gzip")
	_, _ = w.Write(spoilt)
}

// Busy is the Open-Meteo service's refusal of a limit, in its words.
func Busy(reason string) Fault {
	return Say(http.StatusTooManyRequests, "application/json; charset=utf-8", fmt.Sprintf(`{"error":true,"reason":%q}`, reason))
}

// Only lets a fault strike the questions whose path holds a text.
func Only(part string, f Fault) Fault {
	return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		if strings.Contains(r.URL.Path, part) {
			f(w, r, good)
		} else {
			good.ServeHTTP(w, r)
		}
	}
}

// A recorder keeps an answer back.
type recorder struct {
	http.ResponseWriter
	body   bytes.Buffer
	status int
}

func (k *recorder) Write(b []byte) (int, error) { return k.body.Write(b) }
func (k *recorder) WriteHeader(status int)      { k.status = status }

// take asks for the good answer and keeps its body back; its headers are set.
func take(w http.ResponseWriter, r *http.Request, good http.Handler) []byte {
	k := recorder{ResponseWriter: w}
	good.ServeHTTP(&k, r)
	return k.body.Bytes()
}
