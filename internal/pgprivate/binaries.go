package pgprivate

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"sort"
	"strconv"
	"strings"
	"time"
)

// oldestMajor is the first PostgreSQL with security_invoker views, which the schema needs.
const oldestMajor = 15

// Binaries is a folder of PostgreSQL's server programs, all of one major version.
type Binaries struct {
	Dir   string
	Major int
}

// Path names one of the programs: postgres, initdb, pg_dump and the like.
func (b Binaries) Path(program string) string { return filepath.Join(b.Dir, program+suffix) }

// suffix is how the system names programs.
var suffix = map[string]string{"windows": ".exe"}[runtime.GOOS]

// usualFolders is where the packages of the systems put the server programs, from memory.
var usualFolders = []string{
	"/usr/lib/postgresql/*/bin",              // Debian, Ubuntu
	"/usr/pgsql-*/bin",                       // PostgreSQL's own packages for Fedora and RHEL
	"/usr/bin",                               // Fedora, RHEL, Arch
	"/usr/lib/postgresql*/bin",               // openSUSE
	"/usr/libexec/postgresql*",               // Alpine
	"/usr/local/bin",                         // built from source, FreeBSD
	"/usr/local/pgsql/bin",                   // built from source
	"/opt/homebrew/opt/postgres*/bin",        // Homebrew on Apple silicon
	"/usr/local/opt/postgres*/bin",           // Homebrew on Intel
	"/opt/homebrew/Cellar/postgresql*/*/bin", // Homebrew, where no version is linked
	"/usr/local/Cellar/postgresql*/*/bin",
	"/home/linuxbrew/.linuxbrew/opt/postgres*/bin", // Homebrew on Linux
	"/Applications/Postgres.app/Contents/Versions/*/bin",
	`C:\Program Files\PostgreSQL\*\bin`, // the Windows installer
}

// Find gives the server programs of the major version asked for, or with major 0 the newest that is at least 15.
// A binDir other than "" is the only folder looked at. Refusals are ErrNoBinaries, and ErrMajor where there are
// programs but none of the major asked for.
func Find(binDir string, major int) (Binaries, error) {
	if binDir != "" {
		return pick(folders([]string{binDir}), major, systemInstall(major))
	}
	patterns := append(filepath.SplitList(os.Getenv("PATH")), usualFolders...)
	return pick(folders(patterns), major, systemInstall(major))
}

// folders gives the folders among the patterns that hold both server programs, each once, in order.
func folders(patterns []string) []string {
	var found []string
	seen := map[string]bool{}
	for _, pattern := range patterns {
		dirs, _ := filepath.Glob(pattern)
		if len(dirs) == 0 {
			dirs = []string{pattern} // a name with a bracket in it is no bad pattern here, just a name
		}
		for _, dir := range dirs {
			dir, err := filepath.Abs(dir)
			if err != nil {
				continue
			}
			// A link to postgres alone, in /usr/local/bin say, leads to the folder with all the programs.
			if program, err := filepath.EvalSymlinks(filepath.Join(dir, "postgres"+suffix)); err == nil {
				dir = filepath.Dir(program)
			}
			if seen[dir] || !executable(filepath.Join(dir, "postgres"+suffix)) || !executable(filepath.Join(dir, "initdb"+suffix)) {
				continue
			}
			seen[dir] = true
			found = append(found, dir)
		}
	}
	return found
}

// pick chooses among folders that hold server programs. install is the line that installs the wanted ones.
func pick(dirs []string, major int, install string) (Binaries, error) {
	var all []Binaries
	for _, dir := range dirs {
		if m := version(dir); m != 0 {
			all = append(all, Binaries{Dir: dir, Major: m})
		}
	}
	if len(all) == 0 {
		return Binaries{}, &refusal{ErrNoBinaries, "PostgreSQL's server programs (postgres, initdb) were not found here. Install them with:\n\n    " +
			install + "\n\nor name their folder, or name a PostgreSQL server of your own by its URL."}
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].Major > all[j].Major })
	for _, b := range all {
		if b.Major == major || (major == 0 && b.Major >= oldestMajor) {
			return b, nil
		}
	}
	if major == 0 {
		return Binaries{}, &refusal{ErrNoBinaries, fmt.Sprintf("PostgreSQL %d or later is needed; found here: %s. Install it with:\n\n    %s", oldestMajor, list(all), install)}
	}
	return Binaries{}, &refusal{ErrMajor, fmt.Sprintf(
		"the database in this folder was made by PostgreSQL %[1]d, and only that version can open it; found here: %[2]s. Nothing was changed. "+
			"Install version %[1]d beside it:\n\n    %[3]s\n\nor open it where PostgreSQL %[1]d is, and move by backup and restore.", major, list(all), install)}
}

func list(all []Binaries) string {
	words := make([]string, len(all))
	for i, b := range all {
		words[i] = fmt.Sprintf("%d (%s)", b.Major, b.Dir)
	}
	return strings.Join(words, ", ")
}

var versionLine = regexp.MustCompile(`^postgres \(PostgreSQL\) (\d+)`)

// version asks the program itself, since a folder's name may lie; 0 where it does not run.
func version(dir string) int {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	out, err := exec.CommandContext(ctx, filepath.Join(dir, "postgres"+suffix), "-V").Output()
	if err != nil {
		return 0
	}
	return majorOf(string(out))
}

// majorOf reads "postgres (PostgreSQL) 15.14 (Debian …)", also "18beta1"; 0 where it is something else.
func majorOf(line string) int {
	m := versionLine.FindStringSubmatch(line)
	if m == nil {
		return 0
	}
	n, _ := strconv.Atoi(m[1])
	return n
}

func executable(path string) bool {
	st, err := os.Stat(path)
	return err == nil && st.Mode().IsRegular() && (st.Mode()&0o111 != 0 || runtime.GOOS == "windows") // Windows keeps no such bits
}
