//go:build unix

package pgprivate

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// programs makes a folder whose postgres says that it is of that version.
func programs(t *testing.T, version string) string {
	t.Helper()
	dir := t.TempDir()
	script := fmt.Sprintf("#!/bin/sh\necho 'postgres (PostgreSQL) %s (Invented)'\n", version)
	for _, name := range []string{"postgres", "initdb"} {
		check(t, os.WriteFile(filepath.Join(dir, name), []byte(script), 0o755))
	}
	return dir
}

func TestProgramsAreChosenByMajor(t *testing.T) {
	t.Parallel()
	old, fifteen, sixteen, beta := programs(t, "13.9"), programs(t, "15.4"), programs(t, "16.1"), programs(t, "19beta1")
	linked := t.TempDir()
	check(t, os.Symlink(filepath.Join(sixteen, "postgres"), filepath.Join(linked, "postgres")))
	for _, row := range []struct {
		name  string
		dirs  []string
		major int
		want  Binaries
		kind  error
		says  []string
	}{
		{"a new cluster takes the newest", []string{old, fifteen, sixteen}, 0, Binaries{sixteen, 16}, nil, nil},
		{"the first of two alike", []string{fifteen, programs(t, "15.1")}, 0, Binaries{fifteen, 15}, nil, nil},
		{"a link to one program leads to the folder of all", []string{linked}, 0, Binaries{sixteen, 16}, nil, nil},
		{"a beta counts by its number", []string{beta}, 19, Binaries{beta, 19}, nil, nil},
		{"a cluster takes its own", []string{sixteen, fifteen, old}, 15, Binaries{fifteen, 15}, nil, nil},
		{"a cluster takes its own, however old", []string{sixteen, old}, 13, Binaries{old, 13}, nil, nil},
		{"its own is missing", []string{sixteen, fifteen}, 14, Binaries{}, ErrMajor, []string{"PostgreSQL 14", "16 (" + sixteen + ")", "15 (" + fifteen + ")", "Nothing was changed", "the line"}},
		{"only too old ones", []string{old}, 0, Binaries{}, ErrNoBinaries, []string{"15 or later", "13 (" + old + ")", "the line"}},
		{"none", nil, 0, Binaries{}, ErrNoBinaries, []string{"the line"}},
		{"none for a cluster", nil, 15, Binaries{}, ErrNoBinaries, []string{"the line"}},
		{"a folder that is not there", []string{"/nowhere/bin"}, 0, Binaries{}, ErrNoBinaries, []string{"the line"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			got, err := pick(folders(row.dirs), row.major, "the line")
			if row.kind != nil {
				wantRefusal(t, err, row.kind, row.says...)
				return
			}
			check(t, err)
			if diff := cmp.Diff(row.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestFolderWithoutProgramsIsRefusedBeforeAnythingIsMade(t *testing.T) {
	t.Parallel()
	dir := place(t)
	_, err := tryOpen(t, Config{Dir: dir, BinDir: t.TempDir()}, Owner)
	wantRefusal(t, err, ErrNoBinaries, systemInstall(0))
	if _, err := os.Stat(dir); !os.IsNotExist(err) {
		t.Errorf("the data folder was made all the same: %v", err)
	}
}

func TestInstallLine(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name, goos, release string
		major               int
		root                bool
		want                string
	}{
		{"Debian", "linux", "ID=debian\nVERSION_ID=\"12\"\n", 0, false, "sudo apt-get install postgresql"},
		{"Debian as root", "linux", "ID=debian\nVERSION_ID=\"12\"\n", 0, true, "apt-get install postgresql"},
		{"a system made from Ubuntu", "linux", "ID=mintlike\nID_LIKE=\"ubuntu debian\"\n", 0, false, "sudo apt-get install postgresql"},
		{"a Debian with too old a one", "linux", "ID=debian\nVERSION_ID=\"11\"\n", 0, true,
			"apt-get install postgresql-common && /usr/share/postgresql-common/pgdg/apt.postgresql.org.sh -y && apt-get install postgresql-17"},
		{"another major on Debian", "linux", "ID=debian\nVERSION_ID=\"12\"\n", 14, true,
			"apt-get install postgresql-common && /usr/share/postgresql-common/pgdg/apt.postgresql.org.sh -y && apt-get install postgresql-14"},
		{"Fedora", "linux", "NAME=Fedora\nID=fedora\nVERSION_ID=42\n", 0, false, "sudo dnf install postgresql-server"},
		{"one of RHEL's family", "linux", "ID=\"rocky\"\nID_LIKE=\"rhel centos fedora\"\nVERSION_ID=\"9.4\"\n", 0, false,
			"sudo dnf module enable postgresql:15 && sudo dnf install postgresql-server"},
		{"RHEL 10", "linux", "ID=rhel\nID_LIKE=fedora\nVERSION_ID=\"10.0\"\n", 0, false, "sudo dnf install postgresql-server"},
		{"Alpine", "linux", "ID=alpine\n", 0, true, "apk add postgresql"},
		{"another major on Alpine", "linux", "ID=alpine\n", 16, true, "apk add postgresql16"},
		{"Arch", "linux", "ID=arch\n", 0, false, "sudo pacman -S postgresql"},
		{"openSUSE", "linux", "ID=\"opensuse-tumbleweed\"\nID_LIKE=\"opensuse suse\"\n", 0, false, "sudo zypper install postgresql-server"},
		{"macOS", "darwin", "", 0, false, "brew install postgresql@17"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(row.want, installLine(row.goos, row.release, row.major, row.root)); diff != "" {
				t.Error(diff)
			}
		})
	}
	if got := installLine("linux", "ID=unheard-of\n", 0, false); !strings.Contains(got, "15 or later") {
		t.Errorf("an unknown system is told %q", got)
	}
}

func TestMajorOf(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		line string
		want int
	}{
		{"postgres (PostgreSQL) 15.14 (Debian 15.14-0+deb12u1)\n", 15},
		{"postgres (PostgreSQL) 18beta1\n", 18},
		{"postgres (PostgreSQL) 9.6.24\n", 9},
		{"psql (PostgreSQL) 15.14\n", 0},
		{"", 0},
	} {
		if got := majorOf(row.line); got != row.want {
			t.Errorf("majorOf(%q) is %d, want %d", row.line, got, row.want)
		}
	}
}

func TestPostmasterPid(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name, text string
		want       pidFile
	}{
		{"ready", "4711\n/data/pg\n1700000000\n5432\n/data/socket\n\n  1234567    32768\nready   \n", pidFile{4711, "/data/socket", true}},
		{"starting", "4711\n/data/pg\n1700000000\n5432\n/data/socket\n\n  1234567    32768\nstarting\n", pidFile{4711, "/data/socket", false}},
		{"half written", "4711\n/data/pg\n", pidFile{4711, "", false}},
		{"empty", "", pidFile{}},
		{"a backend's or single user's, negative", "-4711\n/data/pg\n", pidFile{}},
		{"no number", "x\n", pidFile{}},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			if got := parsePID(row.text); got != row.want {
				t.Errorf("got %+v, want %+v", got, row.want)
			}
		})
	}
}

func TestSocketURLIsForLibpqToo(t *testing.T) {
	t.Parallel()
	got := socketURL("/srv/my data+1/é&x", AppRole, Database)
	want := "postgres:///stillroom?host=/srv/my%20data%2B1/%C3%A9%26x&port=5432&user=stillroom_app"
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestIsOffReadsAsPostgreSQLDoes(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		setting string
		want    bool
	}{{"off", true}, {"OFF", true}, {"n", true}, {"0", true}, {"fa", true}, {"on", false}, {"true", false}, {"1", false}, {"local", false}, {"remote_apply", false}} {
		if got := isOff(row.setting); got != row.want {
			t.Errorf("isOff(%q) is %t, want %t", row.setting, got, row.want)
		}
	}
}
