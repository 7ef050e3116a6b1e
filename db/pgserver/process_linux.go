package pgserver

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// dieWithParent makes the kernel interrupt the child when we end, even by
// SIGKILL; an interrupt is the server's fast and clean shutdown.
func dieWithParent(attributes *syscall.SysProcAttr) { attributes.Pdeathsig = syscall.SIGINT }

// hold starts the server and stays on the thread that forked it until it ends:
// the kernel sends the death signal when that thread goes, and Go retires idle
// threads (golang/go issue 27505).
func (s *Server) hold(server *exec.Cmd, started chan<- error) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
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

// evict ends what a crash left of the last server. A PID proves nothing: it may
// be recycled, and a zombie looks alive; but every process of the server works
// in the data folder. Then the pid file is stale.
func (s *Server) evict(ctx context.Context) error {
	for _, step := range []struct {
		signal  syscall.Signal
		patient time.Duration
	}{
		{syscall.SIGINT, 5 * time.Second}, // the server: fast shutdown; a backend: cancel, then it misses its server and ends
		{syscall.SIGQUIT, 2 * time.Second},
		{syscall.SIGKILL, 2 * time.Second},
	} {
		left, err := s.leftovers()
		if err != nil {
			return err
		}
		if len(left) > 0 {
			s.config.Log.WarnContext(ctx, "ending what a crash left", "pids", left, "signal", step.signal)
		}
		for _, pid := range left {
			_ = syscall.Kill(pid, step.signal) // it may have ended meanwhile
		}
		if gone, err := s.awaitNone(ctx, step.patient); gone || err != nil {
			return errors.Join(err, removeStale(filepath.Join(s.data(), "postmaster.pid")))
		}
	}
	return fmt.Errorf("processes of an earlier run do not end")
}

func (s *Server) awaitNone(ctx context.Context, patient time.Duration) (bool, error) {
	deadline := time.Now().Add(patient)
	for time.Now().Before(deadline) {
		left, err := s.leftovers()
		if err != nil || len(left) == 0 {
			return err == nil, err
		}
		select {
		case <-ctx.Done():
			return false, ctx.Err()
		case <-time.After(5 * time.Millisecond):
		}
	}
	return false, nil
}

// leftovers lists the server processes that work in the data folder.
func (s *Server) leftovers() ([]int, error) {
	data, err := os.Stat(s.data())
	if err != nil {
		return nil, err
	}
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return nil, err
	}
	var pids []int
	for _, entry := range entries {
		pid, err := strconv.Atoi(entry.Name())
		if err != nil {
			continue
		}
		proc := filepath.Join("/proc", entry.Name())
		cwd, err := os.Stat(filepath.Join(proc, "cwd")) // fails for zombies and for strangers
		if err != nil || !os.SameFile(cwd, data) {
			continue
		}
		// Somebody's shell may stand in the folder, too.
		name, _ := os.ReadFile(filepath.Join(proc, "comm")) //nolint:gosec // of the kernel
		if strings.TrimSpace(string(name)) == "postgres" {
			pids = append(pids, pid)
		}
	}
	return pids, nil
}

func removeStale(path string) error {
	if err := os.Remove(path); !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}
