package floor

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// NewDatabase makes an empty database on a server, asked as its owner; one of that name from an earlier run goes first.
func NewDatabase(ctx context.Context, ownerURL, name string) error {
	if err := DropDatabase(ctx, ownerURL, name); err != nil {
		return err
	}
	return onServer(ctx, ownerURL, `CREATE DATABASE `+pgx.Identifier{name}.Sanitize()+` TEMPLATE template0 ENCODING 'UTF8'`)
}

// DropDatabase removes it again, if it is there.
func DropDatabase(ctx context.Context, ownerURL, name string) error {
	return onServer(ctx, ownerURL, `DROP DATABASE IF EXISTS `+pgx.Identifier{name}.Sanitize()+` WITH (FORCE)`)
}

func onServer(ctx context.Context, url, statement string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return fmt.Errorf("floor: connect: %w", err)
	}
	defer conn.Close(ctx)
	if _, err := conn.Exec(ctx, statement); err != nil {
		return fmt.Errorf("floor: %w", err)
	}
	return nil
}

// Settle does what an idle server would come to by itself: after it, the planner knows the tables, the visibility of
// rows is noted, and what somebody asked in an earlier minute no longer counts. It needs the owner.
func Settle(ctx context.Context, ownerURL string) error {
	if err := onServer(ctx, ownerURL, `DELETE FROM throttle`); err != nil {
		return err
	}
	return onServer(ctx, ownerURL, `VACUUM (ANALYZE)`)
}
