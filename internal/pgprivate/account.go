//go:build unix

package pgprivate

import (
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// account is an operating system user.
type account struct {
	uid, gid int
	name     string
}

func currentAccount() account {
	a := account{uid: os.Geteuid(), gid: os.Getegid()}
	a.name = nameOf(a.uid)
	if a.name == "" {
		a.name = strconv.Itoa(a.uid)
	}
	return a
}

// nameOf is empty for a uid without a line in passwd.
func nameOf(uid int) string {
	u, err := user.LookupId(strconv.Itoa(uid))
	if err != nil {
		return ""
	}
	return u.Username
}

// runner is who runs PostgreSQL: ourselves, or as root, whom PostgreSQL refuses, the owner of the cluster or of the
// data folder, else postgres, else nobody.
func (f *folder) runner() (account, error) {
	self := account{uid: os.Geteuid(), gid: os.Getegid(), name: nameOf(os.Geteuid())}
	if self.uid != 0 {
		return named(self, f.dir)
	}
	for _, name := range []string{clusterName, "."} {
		st, err := f.root.Stat(name)
		if err != nil {
			continue
		}
		if sys := st.Sys().(*syscall.Stat_t); sys.Uid != 0 {
			return named(account{uid: int(sys.Uid), gid: int(sys.Gid), name: nameOf(int(sys.Uid))}, f.dir)
		}
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.Atoi(u.Uid)
		gid, err2 := strconv.Atoi(u.Gid)
		if err1 == nil && err2 == nil {
			return account{uid: uid, gid: gid, name: name}, nil
		}
	}
	return account{}, &refusal{ErrFolder, "PostgreSQL will not run as root, and there is neither a user postgres nor nobody here to run it as; " +
		"give the data folder " + f.dir + " to an ordinary user (chown)"}
}

// named refuses a uid without a name: initdb and peer authentication both look the name up.
func named(a account, dir string) (account, error) {
	if a.name == "" {
		return a, &refusal{ErrFolder, fmt.Sprintf(
			"PostgreSQL would run as user id %d in %s, and that id has no line in /etc/passwd here, without which it does not start; add one, or run as another user", a.uid, dir)}
	}
	return a, nil
}

// blockedAt gives the first folder on the way to dir, itself included, that a may not pass through by its mode;
// empty where the way is free. Access lists may say otherwise: see enters.
func blockedAt(dir string, a account) string {
	if a.uid == 0 {
		return ""
	}
	at := ""
	for parent := filepath.Clean(dir); ; parent = filepath.Dir(parent) {
		if st, err := os.Stat(parent); err == nil && !mayPass(st, a) {
			at = parent // the topmost is what a person has to open first
		}
		if parent == filepath.Dir(parent) {
			return at
		}
	}
}

func mayPass(st fs.FileInfo, a account) bool {
	mode := st.Mode().Perm()
	sys, ok := st.Sys().(*syscall.Stat_t)
	switch {
	case !ok:
		return true
	case int(sys.Uid) == a.uid:
		return mode&0o100 != 0
	case int(sys.Gid) == a.gid:
		return mode&0o010 != 0
	}
	return mode&0o001 != 0
}

// enters tries it: a child that becomes a and changes into dir before it runs.
func enters(dir string, a account) bool {
	cmd := exec.Command("/bin/sh", "-c", ":")
	cmd.Dir = dir
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: a.credential()}
	return cmd.Run() == nil
}

// credential is nil where no user has to be dropped to. Supplementary groups are dropped too.
func (a account) credential() *syscall.Credential {
	if !isRoot() || a.uid == 0 {
		return nil
	}
	return &syscall.Credential{Uid: uint32(a.uid), Gid: uint32(a.gid)}
}
