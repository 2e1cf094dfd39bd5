package main

import (
	"fmt"
	"os"
	"path/filepath"

	"example.org/stillroom/internal/pgprivate"
)

// fetched says where PostgreSQL's programs come from where the machine has none.
func (p *program) fetched() pgprivate.Fetched {
	repository, given := p.env("STILLROOM_PG_REPOSITORY")
	switch {
	case !given || repository == "":
		repository = pgprivate.DefaultRepository
	case repository == "off":
		repository = ""
	}
	cache, _ := p.env("STILLROOM_CACHE")
	if cache == "" {
		cache = p.defaultCache()
	}
	return pgprivate.Fetched{Cache: cache, Repository: repository, Progress: p.tellFetched()}
}

// defaultCache is where fetched programs are kept. What root fetches is run by another user, who cannot enter root's home.
func (p *program) defaultCache() string {
	if os.Geteuid() == 0 {
		return "/var/cache/stillroom"
	}
	dir, err := os.UserCacheDir()
	if err != nil {
		return ""
	}
	return filepath.Join(dir, "stillroom")
}

// tellFetched says once what is fetched and why, and then each quarter of it: a log is no place for more.
func (p *program) tellFetched() func(from string, done, total int64) {
	quarter := int64(-1)
	return func(from string, done, total int64) {
		if quarter < 0 {
			quarter = 0
			fmt.Fprintf(p.errs, "There is no PostgreSQL on this machine. Fetching its programs once, from %s\n", from)
		}
		const mb = 1 << 20
		switch {
		case total > 0 && done*4/total > quarter:
			quarter = done * 4 / total
			fmt.Fprintf(p.errs, "  %d of %d MB\n", (done+mb-1)/mb, (total+mb-1)/mb)
		case total <= 0 && done/(10*mb) > quarter:
			quarter = done / (10 * mb)
			fmt.Fprintf(p.errs, "  %d MB\n", done/mb)
		}
	}
}
