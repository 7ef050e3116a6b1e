//go:build !unix

package pgserver

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"syscall"
)

var errUnsupported = errors.New("no private server on this system: set DATABASE_URL to a server")

type account struct{}

func chooseAccount(string, string) (account, error) { return account{}, errUnsupported }
func (account) mkdir(path string) error             { return os.Mkdir(path, 0o700) }
func (account) canPass(string) error                { return nil }
func (account) attributes() *syscall.SysProcAttr    { return nil }
func Lock(string) (func() error, error)             { return nil, errUnsupported }
func (s *Server) evict(context.Context) error       { return errUnsupported }
func (s *Server) hold(_ *exec.Cmd, st chan<- error) { st <- errUnsupported }
