//go:build linux

package pgserver_test

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"frostgate/db/pgserver"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// The tests start servers the way programs do: some in this process, some in a
// child that can be killed. TestChild is that child.

const childVar = "PGSERVER_TEST_CHILD"

// TestChild runs a server in the folder that its parent names, says the pid of
// it, and stays until it is killed or told to stop by a line.
func TestChild(t *testing.T) {
	dir := os.Getenv(childVar)
	if dir == "" {
		t.Skip("runs as the child of other tests")
	}
	s, err := pgserver.Start(context.Background(), pgserver.Config{Dir: dir})
	if err != nil {
		fmt.Println("error", err)
		return
	}
	fmt.Println("started", postmaster(dir))
	line, _ := bufio.NewReader(os.Stdin).ReadString('\n')
	if line == "busy\n" { // a query that outlives us
		conn, err := pgx.ConnectConfig(context.Background(), s.ConnConfig(""))
		if err != nil {
			fmt.Println("error", err)
			return
		}
		fmt.Println("busy")
		_, _ = conn.Exec(context.Background(), "select pg_sleep(600)")
	}
	fmt.Println("stopped", s.Stop())
}

// postmaster reads the server's pid off its pid file.
func postmaster(dir string) int {
	text, _ := os.ReadFile(filepath.Join(dir, "data", "postmaster.pid"))
	first, _, _ := strings.Cut(string(text), "\n")
	pid, _ := strconv.Atoi(first)
	return pid
}

type child struct {
	t     *testing.T
	cmd   *exec.Cmd
	stdin *os.File
	lines chan string
}

// startChild runs TestChild as another process, as another user when asked.
func startChild(t *testing.T, dir, program string, credential *syscall.Credential) *child {
	t.Helper()
	c := &child{t: t, lines: make(chan string, 100)}
	c.cmd = exec.Command(program, "-test.run=^TestChild$") //nolint:gosec,noctx // ourselves
	c.cmd.Env = append(os.Environ(), childVar+"="+dir)
	c.cmd.Dir = "/"
	c.cmd.SysProcAttr = &syscall.SysProcAttr{Credential: credential} // when we end, so does its input
	in, out, err := os.Pipe()
	require.NoError(t, err)
	c.cmd.Stdin, c.stdin = in, out
	stdout, err := c.cmd.StdoutPipe()
	require.NoError(t, err)
	c.cmd.Stderr = os.Stderr
	require.NoError(t, c.cmd.Start())
	require.NoError(t, in.Close())
	go func() {
		defer close(c.lines)
		for scan := bufio.NewScanner(stdout); scan.Scan(); {
			c.lines <- scan.Text()
		}
	}()
	t.Cleanup(func() {
		_ = c.cmd.Process.Kill()
		_, _ = c.cmd.Process.Wait()
		_ = out.Close()
	})
	return c
}

// expect reads the child's next line and gives what follows the word.
func (c *child) expect(word string) string {
	c.t.Helper()
	select {
	case line := <-c.lines:
		require.True(c.t, strings.HasPrefix(line, word), "child said %q, want %q", line, word)
		return strings.TrimSpace(strings.TrimPrefix(line, word))
	case <-time.After(60 * time.Second):
		require.Fail(c.t, "child said nothing", "want %q", word)
		return ""
	}
}

func (c *child) say(word string) {
	_, err := c.stdin.WriteString(word + "\n")
	require.NoError(c.t, err)
}

func (c *child) kill() {
	c.t.Helper()
	require.NoError(c.t, c.cmd.Process.Kill())
	_, _ = c.cmd.Process.Wait()
}

// home makes a folder that the server's account can pass, whoever we are.
func home(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "pgserver-test-")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() {
		defer os.RemoveAll(dir) //nolint:errcheck // a leftover folder does no harm
		defer func() {
			for _, pid := range processes(dir) { // of a test that failed
				_ = syscall.Kill(pid, syscall.SIGKILL)
			}
		}()
		requireNobody(t, dir)
	})
	return dir
}

func start(t *testing.T, dir string) *pgserver.Server {
	t.Helper()
	s, err := pgserver.Start(t.Context(), pgserver.Config{Dir: dir})
	if err != nil && strings.Contains(err.Error(), "no PostgreSQL server programs") {
		t.Skip(err)
	}
	require.NoError(t, err)
	t.Cleanup(func() { _ = s.Stop() })
	return s
}

func query(t *testing.T, s *pgserver.Server, sql string) (text string) {
	t.Helper()
	conn, err := pgx.ConnectConfig(t.Context(), s.ConnConfig(""))
	require.NoError(t, err)
	defer conn.Close(t.Context()) //nolint:errcheck // only read
	rows, err := conn.Query(t.Context(), sql)
	require.NoError(t, err)
	values, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	return strings.Join(values, " ")
}

// keep writes what must survive; kept reads it.
func keep(t *testing.T, s *pgserver.Server) {
	t.Helper()
	query(t, s, "create table kept as select 'still here' as word")
}

func kept(t *testing.T, s *pgserver.Server) {
	t.Helper()
	require.Equal(t, "still here", query(t, s, "select word from kept"))
}

// processes lists the server's processes in a data folder, the way the kernel
// tells.
func processes(dir string) (pids []int) {
	links, _ := filepath.Glob("/proc/[0-9]*/cwd")
	for _, link := range links {
		name, _ := os.ReadFile(filepath.Join(filepath.Dir(link), "comm"))
		if to, err := os.Readlink(link); err == nil && to == filepath.Join(dir, "data") && string(name) == "postgres\n" {
			pid, _ := strconv.Atoi(strings.Split(link, "/")[2])
			pids = append(pids, pid)
		}
	}
	return pids
}

// requireNobody waits until no process is left in a data folder.
func requireNobody(t *testing.T, dir string) {
	t.Helper()
	require.Eventually(t, func() bool { return len(processes(dir)) == 0 }, 2*time.Minute, 10*time.Millisecond)
}

func TestStartStop(t *testing.T) {
	t.Parallel()
	dir := home(t)
	s := start(t, dir)
	keep(t, s)
	require.Equal(t, "frostgate", query(t, s, "select current_database()::text"))
	require.Empty(t, query(t, s, "select setting from pg_settings where name = 'listen_addresses'")) // no TCP
	require.Equal(t, "on", query(t, s, "select setting from pg_settings where name = 'fsync'"))
	require.Equal(t, "UTF8 C", query(t, s,
		"select pg_encoding_to_char(encoding) || ' ' || datcollate from pg_database where datname = current_database()"))
	socket, err := os.Stat(filepath.Join(dir, "socket"))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o700), socket.Mode().Perm())
	require.NoError(t, s.Err())

	require.NoError(t, s.Stop())
	<-s.Done()
	require.NoError(t, s.Err())
	require.NoError(t, s.Stop())
	requireNobody(t, dir)

	began := time.Now()
	s = start(t, dir)
	t.Logf("start on existing data: %v", time.Since(began))
	kept(t, s)
}

func TestTwoCopies(t *testing.T) {
	t.Parallel()
	dir := home(t)
	s := start(t, dir)
	_, err := pgserver.Start(t.Context(), pgserver.Config{Dir: dir})
	require.ErrorIs(t, err, pgserver.ErrInUse)
	other := startChild(t, dir, os.Args[0], nil)
	require.Contains(t, other.expect("error"), "in use by another process")
	require.Equal(t, "1", query(t, s, "select '1'"))
	require.NoError(t, s.Stop())
	start(t, dir)
}

// The server ends by itself with a parent that was killed, and the next start
// finds its data.
func TestParentKilled(t *testing.T) {
	t.Parallel()
	dir := home(t)
	s := start(t, dir)
	keep(t, s)
	require.NoError(t, s.Stop())

	c := startChild(t, dir, os.Args[0], nil)
	c.expect("started")
	c.kill()
	requireNobody(t, dir)
	kept(t, start(t, dir))
}

func TestParentKilledDuringQuery(t *testing.T) {
	t.Parallel()
	dir := home(t)
	c := startChild(t, dir, os.Args[0], nil)
	c.expect("started")
	c.say("busy")
	c.expect("busy")
	c.kill()
	requireNobody(t, dir) // the query is not waited for
	start(t, dir)
}

// Parent and server are killed at once; a backend may go on for a while, and
// where init reaps nothing the server stays as a zombie that looks alive.
func TestParentAndServerKilled(t *testing.T) {
	t.Parallel()
	dir := home(t)
	s := start(t, dir)
	keep(t, s)
	require.NoError(t, s.Stop())

	c := startChild(t, dir, os.Args[0], nil)
	pid, err := strconv.Atoi(c.expect("started"))
	require.NoError(t, err)
	c.say("busy")
	c.expect("busy")
	require.NoError(t, c.cmd.Process.Signal(syscall.SIGSTOP)) // so that it cannot clean up
	require.NoError(t, syscall.Kill(pid, syscall.SIGKILL))
	c.kill()
	kept(t, start(t, dir))
}

// busyLoop keeps a backend at work without a look at its server; a minute at
// most, for nobody would end it if the test itself were killed.
const busyLoop = `do $$ begin while clock_timestamp() < now() + interval '1 minute' loop end loop; end $$`

// The server is killed under its living parent: the parent is told, and a new
// start ends the backend that is still at a query.
func TestServerKilled(t *testing.T) {
	t.Parallel()
	dir := home(t)
	s := start(t, dir)
	keep(t, s)
	conn, err := pgx.ConnectConfig(t.Context(), s.ConnConfig(""))
	require.NoError(t, err)
	cutOff := make(chan error)
	go func() {
		_, err := conn.Exec(context.Background(), busyLoop)
		cutOff <- err
		_ = conn.Close(context.Background())
	}()
	require.Eventually(t, func() bool {
		return query(t, s, "select count(*)::text from pg_stat_activity where state = 'active' and query like 'do %'") == "1"
	}, 10*time.Second, 10*time.Millisecond)

	require.NoError(t, syscall.Kill(postmaster(dir), syscall.SIGKILL))
	select {
	case <-s.Done():
	case <-time.After(2 * time.Minute):
		require.Fail(t, "nobody said that the server ended")
	}
	require.ErrorContains(t, s.Err(), "killed")
	require.NotEmpty(t, processes(dir)) // the busy backend
	require.NoError(t, s.Stop())
	kept(t, start(t, dir))
	require.Error(t, <-cutOff)
}

// Somebody else shuts the server down: that is told, too.
func TestServerShutDownByOthers(t *testing.T) {
	t.Parallel()
	dir := home(t)
	s := start(t, dir)
	require.NoError(t, syscall.Kill(postmaster(dir), syscall.SIGINT))
	<-s.Done()
	require.ErrorContains(t, s.Err(), "somebody else")
	require.NoError(t, s.Stop())
}

// A pid file left by a crash names a process that lives, but is another: here
// one of the same account, which alone would convince the server.
func TestStalePidFile(t *testing.T) {
	t.Parallel()
	dir := home(t)
	s := start(t, dir)
	keep(t, s)
	require.NoError(t, syscall.Kill(postmaster(dir), syscall.SIGKILL))
	<-s.Done()
	require.NoError(t, s.Stop())

	pid, alive := bystander(t, "/", ownerOf(t, filepath.Join(dir, "data")))
	pidFile := filepath.Join(dir, "data", "postmaster.pid")
	text, err := os.ReadFile(pidFile)
	require.NoError(t, err)
	_, rest, _ := strings.Cut(string(text), "\n")
	require.NoError(t, os.WriteFile(pidFile, fmt.Appendf(nil, "%d\n%s", pid, rest), 0o600))

	kept(t, start(t, dir))
	require.True(t, alive())
}

// bystander starts a process that has nothing to do with us; alive tells whether
// it still runs.
func bystander(t *testing.T, dir string, as *syscall.Credential) (pid int, alive func() bool) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	c := exec.CommandContext(ctx, "sleep", "600")
	c.SysProcAttr = &syscall.SysProcAttr{Credential: as}
	c.Dir = dir
	require.NoError(t, c.Start())
	ended := make(chan struct{})
	go func() {
		_ = c.Wait() // a zombie would take signals as if it lived
		close(ended)
	}()
	t.Cleanup(func() {
		cancel()
		<-ended
	})
	return c.Process.Pid, func() bool {
		select {
		case <-ended:
			return false
		case <-time.After(100 * time.Millisecond):
			return true
		}
	}
}

func ownerOf(t *testing.T, path string) *syscall.Credential {
	t.Helper()
	info, err := os.Stat(path)
	require.NoError(t, err)
	stat, ok := info.Sys().(*syscall.Stat_t)
	require.True(t, ok)
	if os.Getuid() != 0 {
		return nil
	}
	return &syscall.Credential{Uid: stat.Uid, Gid: stat.Gid}
}

// A person's shell that stands in the data folder is not taken for a server.
func TestBystanderInDataFolder(t *testing.T) {
	t.Parallel()
	dir := home(t)
	s := start(t, dir)
	require.NoError(t, s.Stop())
	_, alive := bystander(t, filepath.Join(dir, "data"), nil)
	s = start(t, dir)
	require.True(t, alive())
	require.NoError(t, s.Stop())
}

// A start that died while making the data folder leaves nothing to trip over.
func TestHalfMadeData(t *testing.T) {
	t.Parallel()
	dir := home(t)
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "data.new", "base"), 0o700))
	start(t, dir)
}

// 100 characters and more: the socket moves to where its path is short enough.
func TestLongFolder(t *testing.T) {
	t.Parallel()
	dir := home(t)
	long := filepath.Join(dir, strings.Repeat("x", 100-len(dir)), "with, comma and space")
	s := start(t, long)
	keep(t, s)
	socket := s.ConnConfig("").Host
	require.Less(t, len(socket), 90)
	require.NoError(t, s.Stop())
	require.NoDirExists(t, socket)
	kept(t, start(t, long))
	requireNobody(t, dir)
}

// A folder that the server's account cannot pass is named.
func TestClosedParentFolder(t *testing.T) {
	t.Parallel()
	if os.Getuid() != 0 {
		t.Skip("only root runs the server as another account")
	}
	dir := home(t)
	closed := filepath.Join(dir, "closed")
	require.NoError(t, os.Mkdir(closed, 0o700))
	_, err := pgserver.Start(t.Context(), pgserver.Config{Dir: filepath.Join(closed, "db")})
	require.ErrorContains(t, err, "folder "+closed+" is closed to the account")
	require.NoError(t, os.Chmod(closed, 0o711)) //nolint:gosec // the mend that the message asks for
	start(t, filepath.Join(closed, "db"))
}

// Root without an account named postgres: the server runs as nobody.
func TestAsNobody(t *testing.T) {
	t.Parallel()
	if os.Getuid() != 0 {
		t.Skip("only root runs the server as another account")
	}
	dir := home(t)
	s, err := pgserver.Start(t.Context(), pgserver.Config{Dir: dir, User: "nobody"})
	require.NoError(t, err)
	keep(t, s)
	require.Equal(t, uint32(65534), ownerOf(t, filepath.Join(dir, "data")).Uid)
	require.NoError(t, s.Stop())
	kept(t, start(t, dir)) // the data's owner is found again without being told

	_, err = pgserver.Start(t.Context(), pgserver.Config{Dir: home(t), User: "no-such-account"})
	require.ErrorContains(t, err, "running as root, and no account")
}

// An ordinary user runs the server as himself.
func TestOrdinaryUser(t *testing.T) {
	t.Parallel()
	dir := home(t)
	if os.Getuid() != 0 {
		start(t, dir)
		return
	}
	program := filepath.Join(home(t), "pgserver.test") // go test's own folder is closed to others
	// Copied by another process: a file that this one has open for writing, or a fork of it, cannot be run.
	require.NoError(t, exec.Command("install", "-m", "755", os.Args[0], program).Run()) //nolint:gosec,noctx // ourselves
	require.NoError(t, os.Chown(dir, 65534, 65534))
	c := startChild(t, dir, program, &syscall.Credential{Uid: 65534, Gid: 65534})
	c.expect("started")
	c.say("stop")
	c.expect("stopped <nil>")
}

// The server lives as long as the process, not as long as some thread of it: Go
// ends threads, and the kernel ties the death signal to one.
func TestOutlivesThreads(t *testing.T) {
	t.Parallel()
	s := start(t, home(t))
	for range 50 {
		ended := make(chan struct{})
		go func() {
			runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
			close(ended)
		}()
		<-ended
	}
	time.Sleep(50 * time.Millisecond)
	require.Equal(t, "1", query(t, s, "select '1'"))
}

func TestNoPrograms(t *testing.T) {
	t.Parallel()
	_, err := pgserver.Start(t.Context(), pgserver.Config{Dir: home(t), Bin: t.TempDir()})
	require.ErrorContains(t, err, "no initdb and postgres in")
}

// Programs of another major version are not let loose on existing data.
func TestForeignVersion(t *testing.T) {
	t.Parallel()
	dir := home(t)
	s := start(t, dir)
	require.NoError(t, s.Stop())
	file := filepath.Join(dir, "data", "PG_VERSION")
	require.NoError(t, os.WriteFile(file, []byte("9\n"), 0o600))
	_, err := pgserver.Start(t.Context(), pgserver.Config{Dir: dir})
	require.ErrorContains(t, err, "data of PostgreSQL 9, but no programs of that version")
}

// What makes the server end at its start is in the error.
func TestBadSetting(t *testing.T) {
	t.Parallel()
	_, err := pgserver.Start(t.Context(), pgserver.Config{Dir: home(t), Settings: map[string]string{"shared_buffers": "nonsense"}})
	require.ErrorContains(t, err, `invalid value for parameter "shared_buffers"`)
}

func TestGivesUpWithContext(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := pgserver.Start(ctx, pgserver.Config{Dir: home(t)})
	require.ErrorIs(t, err, context.Canceled)
}
