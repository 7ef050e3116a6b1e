//go:build unix

package pgserver

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// account is who the server runs as. The zero account is the current user.
type account struct {
	name     string
	uid, gid uint32
	other    bool // than the current user
}

// chooseAccount picks another account when we are root, as which the server
// refuses to run: the owner of existing data, else the one asked for, else
// postgres, else nobody.
func chooseAccount(asked, data string) (account, error) {
	if os.Geteuid() != 0 {
		return account{}, nil
	}
	if info, err := os.Stat(data); err == nil {
		if owner, ok := info.Sys().(*syscall.Stat_t); ok && owner.Uid != 0 {
			return account{name: fmt.Sprint(owner.Uid), uid: owner.Uid, gid: owner.Gid, other: true}, nil
		}
	}
	names := []string{"postgres", "nobody"}
	if asked != "" {
		names = []string{asked}
	}
	for _, name := range names {
		if u, err := user.Lookup(name); err == nil {
			return accountOf(u)
		}
	}
	return account{}, fmt.Errorf("running as root, and no account of %v to run the server as: start as an ordinary user, or set DATABASE_URL", names)
}

func accountOf(u *user.User) (account, error) {
	uid, errUID := strconv.ParseUint(u.Uid, 10, 32)
	gid, errGID := strconv.ParseUint(u.Gid, 10, 32)
	if err := errors.Join(errUID, errGID); err != nil {
		return account{}, fmt.Errorf("account %s: %w", u.Username, err)
	}
	return account{name: u.Username, uid: uint32(uid), gid: uint32(gid), other: true}, nil
}

// mkdir makes a folder for the account alone.
func (a account) mkdir(path string) error {
	if err := os.Mkdir(path, 0o700); err != nil {
		return err
	}
	if !a.other {
		return nil
	}
	return os.Chown(path, int(a.uid), int(a.gid))
}

// canPass names the first folder on the way that is closed to the account; the
// server itself would only say "permission denied".
func (a account) canPass(folder string) error {
	if !a.other {
		return nil
	}
	if parent := filepath.Dir(folder); parent != folder {
		if err := a.canPass(parent); err != nil {
			return err
		}
	}
	info, err := os.Stat(folder)
	if err != nil {
		return err
	}
	if !a.mayEnter(info) {
		return fmt.Errorf("folder %s is closed to the account %s, which runs the server because root may not: choose a folder elsewhere, or set DATABASE_URL", folder, a.name)
	}
	return nil
}

func (a account) mayEnter(info fs.FileInfo) bool {
	mode := info.Mode().Perm()
	owner, ok := info.Sys().(*syscall.Stat_t)
	switch {
	case ok && owner.Uid == a.uid:
		return mode&0o100 != 0
	case ok && owner.Gid == a.gid:
		return mode&0o010 != 0
	}
	return mode&0o001 != 0
}

// attributes put a child into its own process group, out of reach of the
// terminal's Ctrl-C, under the account.
func (a account) attributes() *syscall.SysProcAttr {
	attributes := &syscall.SysProcAttr{Setpgid: true}
	if a.other {
		attributes.Credential = &syscall.Credential{Uid: a.uid, Gid: a.gid}
	}
	dieWithParent(attributes)
	return attributes
}

// Lock takes the lock that a file stands for until unlock or the end of the process, however it ends; ErrInUse when
// another process has it. Closing the file would not do: a child that is being forked has it open for a moment longer.
func Lock(path string) (unlock func() error, err error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600) //nolint:gosec // in our own folder
	if err != nil {
		return nil, err
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if err == nil {
		return func() error {
			return errors.Join(syscall.Flock(int(f.Fd()), syscall.LOCK_UN), f.Close())
		}, nil
	}
	_ = f.Close()
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return nil, ErrInUse
	}
	return nil, err
}
