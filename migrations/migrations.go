// Package migrations holds the schema as numbered goose files, embedded so that the program carries its own.
package migrations

import "embed"

// FS is the numbered SQL files. The order of their names is the order in which they run.
//
//go:embed *.sql
var FS embed.FS
