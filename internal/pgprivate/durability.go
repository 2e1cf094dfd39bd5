//go:build unix

package pgprivate

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// checkServer refuses a cluster that could lose what it acknowledged or hand out rotten pages. The command line has
// kept the settings on already; the files are read for what someone wished, since a wish overruled in
// silence would come as a surprise on the day the cluster is started without us.
func (c *Cluster) checkServer() error {
	if c.cfg.throwaway {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, socketURL(c.socket, superuser, superuser))
	if err != nil {
		return fmt.Errorf("connect to the private PostgreSQL: %w", err)
	}
	defer conn.Close(ctx)
	var checksums string
	if err := conn.QueryRow(ctx, `SELECT current_setting('data_checksums')`).Scan(&checksums); err != nil {
		return fmt.Errorf("ask for data checksums: %w", err)
	}
	if checksums != "on" {
		return &refusal{ErrUnsafe, fmt.Sprintf(
			"data checksums are off in %s/%s, so a damaged page would be read as if it were sound. Turn them on with: pg_checksums --enable -D %[1]s/%[2]s", c.folder.dir, clusterName)}
	}
	rows, err := conn.Query(ctx, `
		SELECT DISTINCT ON (name) name, setting, sourcefile, sourceline FROM pg_file_settings
		 WHERE name = ANY ($1) ORDER BY name, seqno DESC`, []string{"fsync", "full_page_writes", "synchronous_commit"})
	if err != nil {
		return fmt.Errorf("read the settings files: %w", err)
	}
	type line struct {
		Name, Setting, SourceFile string
		SourceLine                int
	}
	lines, err := pgx.CollectRows(rows, pgx.RowToStructByPos[line])
	if err != nil {
		return fmt.Errorf("read the settings files: %w", err)
	}
	for _, l := range lines {
		if isOff(l.Setting) {
			return &refusal{ErrUnsafe, fmt.Sprintf(
				"%s is turned off in %s, line %d: a power cut could then take what was already saved. Remove that line and start again", l.Name, l.SourceFile, l.SourceLine)}
		}
	}
	return nil
}

// isOff reads a boolean as PostgreSQL does: off, false, no, 0 and what is short for them.
func isOff(setting string) bool {
	return slices.Contains([]string{"off", "of", "false", "fals", "fal", "fa", "f", "no", "n", "0"}, strings.ToLower(strings.TrimSpace(setting)))
}
