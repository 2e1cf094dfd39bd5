package main

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestMissingToolsAreInstalledOrNamedWithTheLineToType(t *testing.T) {
	t.Parallel()
	const install = "env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends oven pan"
	const update = "env DEBIAN_FRONTEND=noninteractive apt-get update -q"
	for _, c := range []struct {
		name    string
		there   bool // the tools, beforehand
		root    bool
		exists  []string
		works   bool // the installation
		refuses string
		ran     []string
		err     string
	}{
		{name: "nothing missing, nothing run", there: true},
		{name: "root on Debian", root: true, exists: []string{"apt-get"}, works: true, ran: []string{update, install}},
		{name: "sudo without a password", exists: []string{"apt-get", "sudo"}, works: true,
			ran: []string{"sudo -n true", "sudo -n " + update, "sudo -n " + install}},
		{name: "sudo that asks", exists: []string{"apt-get", "sudo"}, refuses: "sudo -n true", ran: []string{"sudo -n true"},
			err: "run as root: apt-get update && apt-get install -y oven pan"},
		{name: "nobody on Debian", exists: []string{"apt-get"}, err: "run as root: apt-get update && apt-get install -y oven pan"},
		{name: "root elsewhere", root: true, err: "missing: an oven (cold); a pan (cold)"},
		{name: "no network", root: true, exists: []string{"apt-get"}, refuses: update, ran: []string{update}, err: "installing oven, pan: refused"},
		{name: "a package too old", root: true, exists: []string{"apt-get"}, ran: []string{update, install},
			err: "installed oven, pan and still missing: an oven (cold)"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			there := c.there
			var ran []string
			s := setup{
				root:   c.root,
				exists: func(name string) bool { return slices.Contains(c.exists, name) },
				run: func(name string, args ...string) error {
					line := name + " " + strings.Join(args, " ")
					ran = append(ran, line)
					if line == c.refuses {
						return errors.New("refused")
					}
					there = there || (c.works && strings.HasSuffix(line, install))
					return nil
				},
			}
			find := func() error {
				if there {
					return nil
				}
				return errors.New("cold\nand more")
			}
			_, err := s.provide([]tool{{name: "an oven", find: find, packages: []string{"oven"}}, {name: "a pan", find: find, packages: []string{"pan"}}})
			if (err != nil) != (c.err != "") || (err != nil && !strings.Contains(err.Error(), c.err)) {
				t.Errorf("got error %v, want %q", err, c.err)
			}
			if diff := cmp.Diff(c.ran, ran); diff != "" {
				t.Errorf("commands (-want +got):\n%s", diff)
			}
		})
	}
}

func TestWhatServesAsWellIsTakenWhereAToolCannotBeInstalled(t *testing.T) {
	t.Parallel()
	cold, warm := func() error { return errors.New("cold") }, func() error { return nil }
	s := setup{exists: func(string) bool { return false }}
	oven := tool{name: "an oven", find: cold, packages: []string{"oven"}, instead: warm}
	if note, err := s.provide([]tool{oven}); err != nil || !strings.Contains(note, "others serve") {
		t.Errorf("with a stove: %q, %v", note, err)
	}
	pan := tool{name: "a pan", find: cold, packages: []string{"pan"}}
	if _, err := s.provide([]tool{oven, pan}); err == nil || !strings.Contains(err.Error(), "a pan (cold)") {
		t.Errorf("without a pan: %v", err)
	}
	oven.instead = cold
	if _, err := s.provide([]tool{oven}); err == nil {
		t.Error("a cold stove serves")
	}
}
