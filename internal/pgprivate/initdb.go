//go:build unix

package pgprivate

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
)

// initialise makes the cluster where there is none: complete in a folder aside, with its settings, roles and database,
// then renamed, so that a crash at any point leaves either no cluster or a whole one.
func (c *Cluster) initialise(ctx context.Context) error {
	if major, err := c.folder.major(); err != nil || major != 0 {
		return err
	}
	if err := c.folder.makeDir(newName); err != nil {
		return fmt.Errorf("make %s in %s: %w", newName, c.folder.dir, err)
	}
	dir := filepath.Join(c.folder.dir, newName)
	args := []string{"-D", dir, "-U", superuser, "-A", "peer", "-E", "UTF8", "--locale=" + locale(), "--data-checksums", "--no-sync"}
	if err := c.run(ctx, "", "initdb", args...); err != nil {
		return err
	}
	if err := c.folder.write(newName+"/postgresql.conf", settings); err != nil {
		return err
	}
	if err := c.run(ctx, rolesAndDatabase, "postgres", "--single", "-D", dir,
		"-c", "exit_on_error=on", "-c", "log_min_messages=error", "-c", "fsync=off", superuser); err != nil {
		return err
	}
	// Nothing was flushed so far: once for all of it, before the name says that it is whole.
	if !c.cfg.throwaway {
		if err := c.run(ctx, "", "initdb", "--sync-only", "-D", dir); err != nil {
			return err
		}
	}
	if err := c.folder.root.Rename(newName, clusterName); err != nil {
		return err
	}
	c.log.Info("made a new PostgreSQL cluster", "dir", filepath.Join(c.folder.dir, clusterName), "major", c.bin.Major)
	return c.folder.sync()
}

// locale: byte order, so that sorting is the same on every system and after every upgrade of its library.
func locale() string {
	if runtime.GOOS == "darwin" {
		return "C" // has no C.UTF-8
	}
	return "C.UTF-8"
}

// rolesAndDatabase is one statement a line: single-user mode takes them so. The owner is no superuser, so that
// functions with its rights have no more than it needs.
const rolesAndDatabase = "CREATE ROLE " + OwnerRole + " LOGIN NOSUPERUSER CREATEROLE NOBYPASSRLS\n" +
	"CREATE ROLE " + AppRole + " LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS\n" +
	"CREATE DATABASE " + Database + " OWNER " + OwnerRole + "\n"

// settings is the whole postgresql.conf, written once and then the person's to change. What safety needs is given on
// the command line at every start and wins over this file.
const settings = `# Written by stillroom when it made this cluster; change what you like.
# fsync, full_page_writes and synchronous_commit must stay on: stillroom refuses to start otherwise.
# Network, socket and durability are set on the command line at each start.

# A small machine beside other programs.
max_connections = 40
shared_buffers = 64MB
work_mem = 8MB
maintenance_work_mem = 64MB
effective_cache_size = 512MB
min_wal_size = 48MB
max_wal_size = 256MB

# Short statements: compiling or spreading them over workers costs more than it saves, and parallel workers need
# shared memory that containers do not have.
jit = off
max_parallel_workers_per_gather = 0

# Solid state or cached storage.
random_page_cost = 1.1

timezone = 'UTC'
log_timezone = 'UTC'
datestyle = 'iso, ymd'
lc_messages = 'C'
default_text_search_config = 'pg_catalog.simple'
log_line_prefix = '%m [%p] %q%u '
`

// writeAccess writes who may connect, at every start, since the users it names may be others this time.
func (c *Cluster) writeAccess() error {
	if err := c.folder.write(clusterName+"/pg_hba.conf",
		"# Written by stillroom at every start. The socket only, and by the operating system's word who it is.\nlocal all all peer map=app\n"); err != nil {
		return err
	}
	users := []string{c.folder.acct.name, currentAccount().name}
	if root := nameOf(0); root != "" {
		users = append(users, root)
	}
	slices.Sort(users)
	var b strings.Builder
	b.WriteString("# Written by stillroom at every start: operating system user, role.\n")
	for _, user := range slices.Compact(users) {
		for _, role := range []string{superuser, OwnerRole, AppRole} {
			fmt.Fprintf(&b, "app \"%s\" %s\n", user, role)
		}
	}
	return c.folder.write(clusterName+"/pg_ident.conf", b.String())
}

// run runs one of PostgreSQL's programs to its end as the user of the cluster; its words are in the error.
func (c *Cluster) run(ctx context.Context, stdin, program string, args ...string) error {
	// The signal at the parent's death goes by thread, so the thread must live as long as the child.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	cmd := exec.CommandContext(ctx, c.bin.Path(program), args...)
	cmd.Dir = "/"
	cmd.Env = serverEnv()
	cmd.SysProcAttr = processAttributes(c.folder.acct)
	cmd.Stdin = strings.NewReader(stdin)
	out, err := cmd.CombinedOutput()
	if err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return fmt.Errorf("%s in %s: %w: %s", program, c.folder.dir, err, lastLines(string(out), 6))
	}
	return nil
}

// serverEnv keeps PGDATA, PGPORT and the like of the caller out.
func serverEnv() []string {
	env := []string{"PATH=/usr/bin:/bin", "HOME=/", "LC_ALL=C", "TZ=UTC"}
	if v, ok := os.LookupEnv("LD_LIBRARY_PATH"); ok && !isRoot() {
		env = append(env, "LD_LIBRARY_PATH="+v)
	}
	return env
}

func lastLines(text string, n int) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	if len(lines) > n {
		lines = append([]string{"… " + strconv.Itoa(len(lines)-n) + " lines before"}, lines[len(lines)-n:]...)
	}
	return strings.Join(lines, "\n")
}
