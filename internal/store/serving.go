package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// LetOwnerServe makes sure that the owner's login may take the serving role on, for a server where that role has no
// login of its own: appURL is then the owner's URL with role=stillroom_app. Where appURL is another login there is
// nothing to do.
func LetOwnerServe(ctx context.Context, ownerURL, appURL string) error {
	app, err := pgx.ParseConfig(appURL)
	if err != nil {
		return fmt.Errorf("store: the serving role's URL cannot be read: %w", err)
	}
	role := app.RuntimeParams["role"]
	if role == "" {
		return nil
	}
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return fmt.Errorf("store: connect: %w", err)
	}
	defer conn.Close(ctx)
	name := pgx.Identifier{role}.Sanitize()
	if _, err := conn.Exec(ctx, `SET ROLE `+name); err == nil {
		return nil // a superuser, or a member already
	}
	if _, err := conn.Exec(ctx, `GRANT `+name+` TO CURRENT_USER`); err != nil {
		// Another copy may have granted it at this very moment, which the catalogue refuses to do twice.
		if _, again := conn.Exec(ctx, `SET ROLE `+name); again == nil {
			return nil
		}
		return fmt.Errorf("store: the owner's login may not serve as %s; let an administrator grant it that role, or name a login of its own in STILLROOM_APP_URL: %w", role, err)
	}
	return nil
}
