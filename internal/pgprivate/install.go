package pgprivate

import (
	"bufio"
	"os"
	"runtime"
	"strconv"
	"strings"
)

// systemInstall is the line that installs PostgreSQL's server programs on this system; major 0 is any that serves.
func systemInstall(major int) string {
	text, err := os.ReadFile("/etc/os-release")
	if err != nil {
		text, _ = os.ReadFile("/usr/lib/os-release")
	}
	return installLine(runtime.GOOS, string(text), major, isRoot())
}

// installLine reads the system's own description (os-release(5)). Package names are from memory.
func installLine(goos, osRelease string, major int, root bool) string {
	sudo := "sudo "
	if root {
		sudo = ""
	}
	if goos == "darwin" {
		return "brew install postgresql@" + orMajor(major, "17")
	}
	if goos == "freebsd" {
		return sudo + "pkg install postgresql" + orMajor(major, "17") + "-server"
	}
	r := parseRelease(osRelease)
	for _, id := range append([]string{r["ID"]}, strings.Fields(r["ID_LIKE"])...) {
		switch id {
		case "debian", "ubuntu":
			return debianLine(r, major, sudo)
		case "fedora":
			// Where the family is Fedora but the system is not, it is RHEL or one built from it.
			if r["ID"] != "fedora" {
				return rhelLine(r, major, sudo)
			}
			return sudo + "dnf install postgresql-server"
		case "rhel", "centos":
			return rhelLine(r, major, sudo)
		case "alpine":
			return sudo + "apk add postgresql" + orMajor(major, "")
		case "arch":
			return sudo + "pacman -S postgresql"
		case "suse", "opensuse", "opensuse-leap", "opensuse-tumbleweed", "sles":
			return sudo + "zypper install postgresql" + orMajor(major, "") + "-server"
		}
	}
	return "(with this system's package manager) install the package of the PostgreSQL server, version " + orMajor(major, "15 or later")
}

// debianLine goes by PostgreSQL's own package archive where the release's is too old or another major is wanted.
func debianLine(r map[string]string, major int, sudo string) string {
	old := map[string]bool{"debian 10": true, "debian 11": true, "ubuntu 18.04": true, "ubuntu 20.04": true, "ubuntu 22.04": true}
	if major == 0 && !old[r["ID"]+" "+r["VERSION_ID"]] {
		return sudo + "apt-get install postgresql"
	}
	return sudo + "apt-get install postgresql-common && " + sudo + "/usr/share/postgresql-common/pgdg/apt.postgresql.org.sh -y && " +
		sudo + "apt-get install postgresql-" + orMajor(major, "17")
}

// rhelLine: releases 8 and 9 choose a version by module stream; the default stream is older than 15.
func rhelLine(r map[string]string, major int, sudo string) string {
	release, _, _ := strings.Cut(r["VERSION_ID"], ".")
	if release == "8" || release == "9" {
		return sudo + "dnf module enable postgresql:" + orMajor(major, "15") + " && " + sudo + "dnf install postgresql-server"
	}
	return sudo + "dnf install postgresql-server"
}

func orMajor(major int, otherwise string) string {
	if major == 0 {
		return otherwise
	}
	return strconv.Itoa(major)
}

func parseRelease(text string) map[string]string {
	r := map[string]string{}
	lines := bufio.NewScanner(strings.NewReader(text))
	for lines.Scan() {
		k, v, ok := strings.Cut(strings.TrimSpace(lines.Text()), "=")
		if ok && !strings.HasPrefix(k, "#") {
			r[k] = strings.Trim(v, `"'`)
		}
	}
	return r
}
