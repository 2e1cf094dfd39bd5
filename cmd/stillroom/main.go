// Command stillroom is the batch book of a small maker of soap, bath and skin products: one program, and PostgreSQL.
// A file per subcommand, wiring only: what a command does is done by the store and the rules.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	_ "time/tzdata" // the program runs where no time zones are installed
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends it at once
	p := &program{out: os.Stdout, errs: os.Stderr, env: os.LookupEnv}
	os.Exit(p.run(ctx, os.Args[1:]))
}
