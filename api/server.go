package api

import (
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"golang.org/x/net/netutil"
)

// Limits of connections. Go's zero values mean no limit at all.
const (
	headerPatience = 5 * time.Second
	readPatience   = 20 * time.Second
	writePatience  = 30 * time.Second
	idlePatience   = time.Minute
	headerBytes    = 16 << 10
	connections    = 4096
	perAddress     = 64
)

// Server wraps a handler in a server with time and size limits.
func Server(handler http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler:           handler,
		ReadHeaderTimeout: headerPatience,
		ReadTimeout:       readPatience,
		WriteTimeout:      writePatience,
		IdleTimeout:       idlePatience,
		MaxHeaderBytes:    headerBytes,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
}

// LimitConnections bounds the open connections of a listener, in all and by address. Beyond the first, callers wait
// to be accepted; beyond the second, they are hung up on. Behind a proxy all connections have one address: pass a
// greater perAddress there. 0 takes the defaults, 4096 and 64.
func LimitConnections(listener net.Listener, inAll, byAddress int) net.Listener {
	if inAll == 0 {
		inAll = connections
	}
	if byAddress == 0 {
		byAddress = perAddress
	}
	return &fairListener{Listener: netutil.LimitListener(listener, inAll), most: byAddress, open: map[string]int{}}
}

// fairListener keeps one address from taking all connections.
type fairListener struct {
	net.Listener
	most int
	mu   sync.Mutex
	open map[string]int
}

// Accept waits for a connection from an address that has not too many already.
func (l *fairListener) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		address, _, err := net.SplitHostPort(conn.RemoteAddr().String())
		if err != nil {
			return conn, nil //nolint:nilerr // a Unix socket has no address to be fair to
		}
		if l.enter(address) {
			return &fairConn{Conn: conn, leave: sync.OnceFunc(func() { l.leave(address) })}, nil
		}
		_ = conn.Close()
	}
}

func (l *fairListener) enter(address string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.open[address] >= l.most {
		return false
	}
	l.open[address]++
	return true
}

func (l *fairListener) leave(address string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.open[address]--
	if l.open[address] == 0 {
		delete(l.open, address)
	}
}

type fairConn struct {
	net.Conn
	leave func()
}

// Close gives the place back.
func (c *fairConn) Close() error {
	c.leave()
	return c.Conn.Close()
}
