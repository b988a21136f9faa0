// Package attack_test has the diary attacked over gRPC by many clients at once,
// on replicas that are processes of their own and can be killed.
package attack_test

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	"github.com/visitwright/visitwright/proto/requests"
	"github.com/visitwright/visitwright/scheduler"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/pgtest"
)

// The test binary is a replica when this variable names its database.
const (
	replicaDatabase = "VISITWRIGHT_ATTACK_DATABASE"
	replicaAddress  = "VISITWRIGHT_ATTACK_ADDRESS"
)

func TestMain(m *testing.M) {
	if database := os.Getenv(replicaDatabase); database != "" {
		if err := serveReplica(database, os.Getenv(replicaAddress)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(pgtest.Run(m))
}

const practice = "willow-lane"

func keys() (*store.Keys, error) {
	return store.ParseKeys([]byte("key 1 " + strings.Repeat("A", 43) + "="))
}

// now is the machine's clock: the attack runs in real time, as the database does.
func now() time.Time {
	return time.Now()
}

func openStore(ctx context.Context, database string) (*store.Store, error) {
	k, err := keys()
	if err != nil {
		return nil, err
	}
	c := store.Config{Database: database, Keys: k}
	if !strings.HasPrefix(database, "postgres") {
		c.Clock = now
	}
	return store.Open(ctx, c)
}

// openHasty opens a store that need not survive a loss of power: what is booked
// before an attack.
func openHasty(ctx context.Context, database string) (*store.Store, error) {
	k, err := keys()
	if err != nil {
		return nil, err
	}
	return store.Open(ctx, store.Config{Database: database, Keys: k, Clock: now, NoSync: true})
}

// serveReplica serves the diary until the process is killed.
func serveReplica(database, address string) error {
	s, err := openStore(context.Background(), database)
	if err != nil {
		return err
	}
	d, err := scheduler.NewDiary(scheduler.DiaryConfig{Store: s, PageKey: []byte(strings.Repeat("k", 32)), Now: now,
		Caller: func(ctx context.Context) (requests.Caller, bool) {
			method, _ := grpc.Method(ctx)
			md, _ := metadata.FromIncomingContext(ctx)
			return requests.Caller{Call: store.Call{Practice: practice, Actor: strings.Join(md.Get("actor"), ""), Role: store.RoleReception, Method: method}}, true
		}})
	if err != nil {
		return err
	}
	var config net.ListenConfig
	l, err := config.Listen(context.Background(), "tcp", address)
	if err != nil {
		return err
	}
	g := grpc.NewServer()
	d.Register(g)
	fmt.Println("serving", l.Addr())
	return g.Serve(l)
}

// replica is one process that serves the diary.
type replica struct {
	t        testing.TB
	database string
	address  string
	cmd      *exec.Cmd
}

func startReplica(t testing.TB, database string) *replica {
	t.Helper()
	r := &replica{t: t, database: database, address: "127.0.0.1:0"}
	r.start()
	t.Cleanup(r.kill)
	return r
}

// start starts the process, after a kill on the address that it had.
func (r *replica) start() {
	r.t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), replicaDatabase+"="+r.database, replicaAddress+"="+r.address)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		r.t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		r.t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	if !lines.Scan() || !strings.HasPrefix(lines.Text(), "serving ") {
		_ = cmd.Wait()
		r.t.Fatalf("a replica did not start: %q", lines.Text())
	}
	r.cmd, r.address = cmd, strings.TrimPrefix(lines.Text(), "serving ")
}

// kill ends the process as a loss of power would.
func (r *replica) kill() {
	if r.cmd == nil {
		return
	}
	_ = r.cmd.Process.Signal(syscall.SIGKILL)
	_ = r.cmd.Wait()
	r.cmd = nil
}
