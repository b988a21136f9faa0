package pgtest

import (
	"os"
	"os/exec"
	"os/user"
	"strconv"
	"syscall"
)

// PostgreSQL refuses to run as root, so as root it runs as the user that its
// package makes.
const serverUser = "postgres"

func serverCredential() *syscall.Credential {
	if os.Geteuid() != 0 {
		return nil
	}
	u, err := user.Lookup(serverUser)
	if err != nil {
		return nil // initdb then says what is wrong
	}
	uid, err1 := strconv.ParseUint(u.Uid, 10, 32)
	gid, err2 := strconv.ParseUint(u.Gid, 10, 32)
	if err1 != nil || err2 != nil {
		return nil
	}
	return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
}

// asServer runs cmd as the server's user, and ends it when the tests die.
func (s *Server) asServer(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: serverCredential(), Pdeathsig: syscall.SIGQUIT, Setpgid: true}
}

func (s *Server) giveAway(dir string) error {
	c := serverCredential()
	if c == nil {
		return nil
	}
	return os.Chown(dir, int(c.Uid), int(c.Gid))
}
