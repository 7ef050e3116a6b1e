//go:build unix && !linux

package pgserver

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// dieWithParent has no equal here: a server whose parent was killed stays until
// the next start evicts it.
func dieWithParent(*syscall.SysProcAttr) {}

func (s *Server) hold(server *exec.Cmd, started chan<- error) {
	err := server.Start()
	if err == nil {
		s.process = server.Process
	}
	started <- err
	if err == nil {
		s.err = server.Wait()
		close(s.done)
	}
}

// evict ends the server that the pid file names. We hold the lock, so no living
// program of ours owns it; the server itself tells a recycled PID apart.
func (s *Server) evict(ctx context.Context) error {
	pidFile := filepath.Join(s.data(), "postmaster.pid")
	text, err := os.ReadFile(pidFile)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil || !isServer(ctx, pid) {
		return nil
	}
	_ = syscall.Kill(pid, syscall.SIGINT)
	for range 2000 {
		if syscall.Kill(pid, 0) != nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(5 * time.Millisecond):
		}
	}
	return fmt.Errorf("server %d of an earlier run does not end", pid)
}

func isServer(ctx context.Context, pid int) bool {
	out, err := exec.CommandContext(ctx, "ps", "-o", "comm=", "-p", strconv.Itoa(pid)).Output() //nolint:gosec // a number
	return err == nil && strings.Contains(string(out), "postgres")
}
