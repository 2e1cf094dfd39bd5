-- API tokens: with one a program acts for the workshop.
-- +goose Up

CREATE TABLE api_token (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  id              uuid NOT NULL,
  name            text NOT NULL CHECK (length(name) BETWEEN 1 AND 80),
  read_only       boolean NOT NULL,
  token_hash      bytea NOT NULL CHECK (length(token_hash) = 32),
  created_at      timestamptz NOT NULL,
  revoked_at      timestamptz,
  change_id       uuid NOT NULL,
  PRIMARY KEY (workshop_id, id),
  CONSTRAINT api_token_hash_key UNIQUE (workshop_id, token_hash),
  CONSTRAINT api_token_change_fkey FOREIGN KEY (workshop_id, change_id) REFERENCES change (workshop_id, id)
);
COMMENT ON TABLE api_token IS 'What lets a program in. It was shown once; the table has its SHA-256 only.';
COMMENT ON COLUMN api_token.name IS 'What it is for; it stands beside what the program records.';
COMMENT ON COLUMN api_token.read_only IS 'It may trace and export, and nothing that stores.';
CREATE UNIQUE INDEX api_token_name_key ON api_token (workshop_id, name) WHERE revoked_at IS NULL;

CREATE TABLE api_token_use (
  workshop_id     uuid NOT NULL REFERENCES workshop (id),
  token_id        uuid NOT NULL,
  used_at         timestamptz NOT NULL,
  PRIMARY KEY (workshop_id, token_id),
  CONSTRAINT api_token_use_token_fkey FOREIGN KEY (workshop_id, token_id) REFERENCES api_token (workshop_id, id)
);
COMMENT ON TABLE api_token_use IS 'When a token was last used, to the minute: no record, so that using one leaves no change.';

SELECT record_table('api_token', '', 'token_hash', '');
SELECT house_table('api_token_use', 'SELECT, INSERT, UPDATE');

-- +goose Down
SELECT 1;
