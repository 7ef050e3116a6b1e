// Package pgserver runs a private PostgreSQL server as a child process, for
// trying the program, for developing and for tests: no TCP port, no password, no
// daemon, and nothing left running when the program ends, however it ends.
//
// [Start] finds the server programs that the machine has, makes the data folder
// when it is empty, clears away what a crash left, and answers when the server
// does. A firm's real deployment names its own server instead.
package pgserver

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"log/slog"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// ErrInUse says that another process has the folder.
var ErrInUse = errors.New("in use by another process")

// Config says where the server lives.
type Config struct {
	Dir      string            // holds data, socket, lock and log; made when missing
	Bin      string            // folder of initdb and postgres; "" looks where distributions put them
	User     string            // account to run as when started by root; default postgres, else nobody
	Database string            // made when missing; default frostgate
	Settings map[string]string // of the server, over the defaults
	Log      *slog.Logger      // nil is silent
}

// Server is a running private server.
type Server struct {
	Bin string // folder of the programs it runs from

	dir     string // Config.Dir, absolute and without links
	socket  string
	config  Config
	account account
	unlock  func() error // of the folder
	process *os.Process
	stopped atomic.Bool
	done    chan struct{}
	err     error // of the process; set before done closes
}

const (
	superuser = "postgres"
	port      = 5432 // only names the socket's file
)

// Start runs the server and returns when it accepts connections. It fails with
// ErrInUse when another process runs the same folder.
func Start(ctx context.Context, c Config) (*Server, error) {
	s, err := prepare(c)
	if err != nil {
		return nil, fmt.Errorf("private database in %s: %w", c.Dir, err)
	}
	if err := s.start(ctx); err != nil {
		_ = s.unlock()
		return nil, fmt.Errorf("private database in %s: %w", c.Dir, err)
	}
	return s, nil
}

// prepare takes the folder for this process alone.
func prepare(c Config) (*Server, error) {
	if c.Database == "" {
		c.Database = "frostgate"
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if err := os.MkdirAll(c.Dir, 0o755); err != nil { //nolint:gosec // data and socket below are 0700; another account must pass here
		return nil, err
	}
	dir, err := filepath.Abs(c.Dir)
	if err != nil {
		return nil, err
	}
	dir, err = filepath.EvalSymlinks(dir)
	if err != nil {
		return nil, err
	}
	who, err := chooseAccount(c.User, filepath.Join(dir, "data"))
	if err != nil {
		return nil, err
	}
	unlock, err := Lock(filepath.Join(dir, "lock"))
	if err != nil {
		return nil, err
	}
	return &Server{dir: dir, config: c, account: who, unlock: unlock, done: make(chan struct{})}, nil
}

func (s *Server) data() string { return filepath.Join(s.dir, "data") }

// start does the steps in their order; each leaves nothing that the next start
// could trip over.
func (s *Server) start(ctx context.Context) error {
	began := time.Now()
	var err error
	if s.Bin, err = findPrograms(s.config.Bin, s.data()); err != nil {
		return err
	}
	for _, folder := range []string{s.dir, s.Bin} {
		if err := s.account.canPass(folder); err != nil {
			return err
		}
	}
	if err := s.initialise(ctx); err != nil {
		return err
	}
	if err := s.evict(ctx); err != nil {
		return err
	}
	if err := s.makeSocketFolder(); err != nil {
		return err
	}
	if err := s.launch(); err != nil { //nolint:contextcheck // the server outlives the start's context
		return err
	}
	if err := s.awaitReady(ctx); err != nil {
		return errors.Join(err, s.halt())
	}
	s.config.Log.InfoContext(ctx, "private database ready", "dir", s.dir, "bin", s.Bin, "after", time.Since(began).Round(time.Millisecond))
	return nil
}

// initialise makes the data folder under another name first, so that a start
// that dies here leaves none rather than half of one.
func (s *Server) initialise(ctx context.Context) error {
	if _, err := os.Stat(filepath.Join(s.data(), "PG_VERSION")); err == nil {
		return nil
	}
	draft := s.data() + ".new"
	if err := os.RemoveAll(draft); err != nil {
		return err
	}
	if err := s.account.mkdir(draft); err != nil {
		return err
	}
	flags := []string{
		"--pgdata=" + draft, "--username=" + superuser, "--auth=trust", "--encoding=UTF8", "--no-locale",
	}
	if s.config.Settings["fsync"] == "off" {
		flags = append(flags, "--no-sync")
	}
	runtime.LockOSThread() // see hold
	defer runtime.UnlockOSThread()
	initdb := s.command(ctx, "initdb", flags...)
	if out, err := initdb.CombinedOutput(); err != nil {
		return fmt.Errorf("initdb: %w: %s", err, tail(string(out)))
	}
	if err := os.RemoveAll(s.data()); err != nil { // at most an empty folder
		return err
	}
	return os.Rename(draft, s.data())
}

// command runs a server program as the account, with none of our environment:
// PGDATA or a foreign locale would change what it does.
func (s *Server) command(ctx context.Context, program string, flags ...string) *exec.Cmd {
	c := exec.CommandContext(ctx, filepath.Join(s.Bin, program), flags...) //nolint:gosec // our own flags
	c.Dir = "/"
	c.Env = []string{"LC_ALL=C", "TZ=UTC", "PATH=" + s.Bin + ":/usr/bin:/bin"}
	c.SysProcAttr = s.account.attributes()
	return c
}

// makeSocketFolder makes it afresh: after a double kill an old lock file in it
// can name a process that still looks alive.
func (s *Server) makeSocketFolder() error {
	s.socket = filepath.Join(s.dir, "socket")
	if len(s.socket) > maxSocketFolder {
		h := fnv.New64a()
		_, _ = h.Write([]byte(s.dir))
		s.socket = filepath.Join(shortTemp(), fmt.Sprintf("frostgate-%x", h.Sum64()))
	}
	if err := os.RemoveAll(s.socket); err != nil {
		return err
	}
	return s.account.mkdir(s.socket)
}

// maxSocketFolder keeps folder and "/.s.PGSQL.5432" within the 103 bytes that
// every system allows for a socket's path.
const maxSocketFolder = 85

func shortTemp() string {
	if temp := os.TempDir(); len(temp) < 40 {
		return temp
	}
	return "/tmp"
}

// launch starts the server. The child is forked and awaited on one locked
// thread, for the death signal belongs to the thread that forked.
func (s *Server) launch() error {
	logPath := filepath.Join(s.dir, "log")
	if err := os.Rename(logPath, logPath+".old"); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	log, err := os.Create(logPath)
	if err != nil {
		return err
	}
	defer log.Close() //nolint:errcheck // the child has its own
	flags := []string{"-D", s.data()}
	for _, setting := range s.settings() {
		flags = append(flags, "-c", setting)
	}
	server := s.command(context.Background(), "postgres", flags...)
	server.Stdout, server.Stderr = log, log
	started := make(chan error)
	go s.hold(server, started)
	return <-started
}

// settings gives name=value for the command line, sorted.
func (s *Server) settings() []string {
	all := map[string]string{
		"listen_addresses":        "",
		"port":                    fmt.Sprint(port),
		"unix_socket_directories": `"` + strings.ReplaceAll(s.socket, `"`, `""`) + `"`,
		"unix_socket_permissions": "0700",
		"shared_buffers":          "64MB",
		"jit":                     "off", // our statements are short
	}
	maps.Copy(all, s.config.Settings)
	var list []string
	for name, value := range all {
		list = append(list, name+"="+value)
	}
	slices.Sort(list)
	return list
}

// ConnConfig reaches a database of the server; "" is the one of Config. Host and
// port are set, not pasted into a URL, which a path with spaces would break.
func (s *Server) ConnConfig(database string) *pgx.ConnConfig {
	if database == "" {
		database = s.config.Database
	}
	c, err := pgx.ParseConfig("sslmode=disable")
	if err != nil {
		panic(err) // nothing of the caller's is in the text
	}
	c.Host, c.Port, c.User, c.Password, c.Database = s.socket, port, superuser, "", database
	c.Fallbacks = nil
	return c
}

// awaitReady polls until a connection succeeds, and gives up at once when the
// server exits.
func (s *Server) awaitReady(ctx context.Context) error {
	poll := time.NewTicker(10 * time.Millisecond)
	defer poll.Stop()
	for {
		err := s.ensureDatabase(ctx)
		if err == nil {
			return nil
		}
		select {
		case <-s.done:
			return fmt.Errorf("server ended at start: %w: %s", s.err, s.logTail())
		case <-ctx.Done():
			return fmt.Errorf("server not ready: %w: %w: %s", ctx.Err(), err, s.logTail())
		case <-poll.C:
		}
	}
}

func (s *Server) ensureDatabase(ctx context.Context) error {
	conn, err := pgx.ConnectConfig(ctx, s.ConnConfig(""))
	if err == nil {
		return conn.Close(ctx)
	}
	var refused *pgconn.PgError
	if !errors.As(err, &refused) || refused.Code != "3D000" { // invalid_catalog_name
		return err
	}
	conn, err = pgx.ConnectConfig(ctx, s.ConnConfig(superuser))
	if err != nil {
		return err
	}
	_, err = conn.Exec(ctx, "create database "+pgx.Identifier{s.config.Database}.Sanitize())
	return errors.Join(err, conn.Close(ctx))
}

// Dir is the folder the server lives in.
func (s *Server) Dir() string { return s.dir }

// Done closes when the server has ended, whether stopped or by itself.
func (s *Server) Done() <-chan struct{} { return s.done }

// Err says how the server ended, with the last lines of its log; nil while it
// runs and after Stop.
func (s *Server) Err() error {
	select {
	case <-s.done:
	default:
		return nil
	}
	if s.stopped.Load() {
		return nil
	}
	why := s.err
	if why == nil {
		why = errors.New("shut down by somebody else")
	}
	return fmt.Errorf("private database in %s ended: %w: %s", s.dir, why, s.logTail())
}

// Stop ends the server, disconnecting its clients, and frees the folder. It may
// be called again, and after the server died.
func (s *Server) Stop() error {
	s.stopped.Store(true)
	err := s.halt()
	if removeErr := os.RemoveAll(s.socket); removeErr != nil {
		err = errors.Join(err, removeErr)
	}
	_ = s.unlock() // a second time it is free already
	return err
}

// halt asks, insists and kills.
func (s *Server) halt() error {
	for _, step := range []struct {
		signal  syscall.Signal
		patient time.Duration
	}{
		{syscall.SIGINT, 20 * time.Second}, // fast shutdown
		{syscall.SIGQUIT, 5 * time.Second}, // immediate shutdown
		{syscall.SIGKILL, 5 * time.Second},
	} {
		_ = s.process.Signal(step.signal) // fails only when it has ended
		select {
		case <-s.done:
			return nil
		case <-time.After(step.patient):
		}
	}
	return errors.New("server does not end")
}

func (s *Server) logTail() string {
	text, err := os.ReadFile(filepath.Join(s.dir, "log"))
	if err != nil {
		return err.Error()
	}
	return tail(string(text))
}

// tail gives the last lines of a log on one line.
func tail(text string) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(0, len(lines)-5):], " | ")
}
