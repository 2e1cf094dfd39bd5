package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
)

// foundMost is how many of a kind the look-up lists.
const foundMost = 20

// Found is what the look-up box found for what somebody typed or read out.
type Found struct {
	Query string
	// Exact is the code on a unit that was meant, its look-alikes aside. Sure tells that its check character proves it:
	// then its page may be shown at once, and else product and date are confirmed first. A code that leads to more than its
	// own packing is never sure.
	Exact *FoundCode
	Sure  bool
	// Near are codes one wrong, missing, extra or swapped character away, the likeliest first. None is ever chosen.
	Near []FoundCode
	// Mistyped: shaped like this workshop's codes, but the check character is wrong. NotOurs: the check character is
	// right, and yet no unit has the code. Both are said only where there is no exact code.
	Mistyped, NotOurs bool
	// Groups are other things found by words and beginnings of codes. Straight is the one lot or dispatch whose code it
	// is, where it is just one.
	Groups   []FoundGroup
	Straight *FoundItem
}

// FoundCode is a code on a unit, with the batch or packing whose own code it is. Batch is empty for a code that stands only
// on units of packings with other codes, such as a misprint: then the rest is that of the first of them.
type FoundCode struct {
	Code       string
	Batch      string // code; the same as Code for a batch and its first packing
	Name       string // of the product, else the formula
	MadeOn     day.Day
	PackedOn   day.Day
	BestBefore day.Day
	Status     string // of the packing, else of the batch
	Printed    string // the date as it stands on the label; empty where none was printed
	Recall     int    // number of the recall that keeps the packing, else the batch; 0 for none
	// Also are units of other packings that bear it too.
	Also []UnitCode
}

// Leads counts the packings that the code can be of.
func (c FoundCode) Leads() int {
	n := len(c.Also)
	if c.Batch != "" {
		n++
	}
	return n
}

// DateOnLabel is what a customer reads: the date as printed, else the best-before in full, else nothing.
func (c FoundCode) DateOnLabel(style measure.Style) string {
	if c.Printed != "" || c.BestBefore.IsZero() {
		return c.Printed
	}
	return style.Day(c.BestBefore)
}

// FoundGroup is what was found of one kind; More tells that there is more than is listed.
type FoundGroup struct {
	Kind  string // batch, packing, lot, supplier_lot, material, product, formula, customer, supplier, equipment, dispatch, crate
	Items []FoundItem
	More  bool
}

// FoundItem is one thing found, with what tells it from others like it.
type FoundItem struct {
	Kind   string
	Code   string
	Name   string
	Detail string
	On     day.Day // made, received or dispatched
	Status string
	Recall int // number of the recall that keeps a lot, batch or packing; 0 for none
}

// foundKinds is the order in which groups are shown.
var foundKinds = []string{"batch", "packing", "lot", "supplier_lot", "dispatch", "crate", "customer", "product", "formula", "material", "supplier", "equipment"}

// Find looks up what a customer reads out or a maker types: a code on a unit, with one mistake in it or none; else
// anything whose code or words begin so. A query without a letter or digit finds nothing.
func (s *Store) Find(ctx context.Context, workshop WorkshopID, query string) (Found, error) {
	found := Found{Query: strings.TrimSpace(query)}
	if foldWord(query) == "" {
		return found, nil
	}
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		patterns, err := usedPatterns(ctx, t, workshop)
		if err != nil {
			return err
		}
		if err := found.codes(ctx, t, workshop, patterns); err != nil {
			return err
		}
		return found.things(ctx, t, workshop)
	})
	if err != nil {
		return Found{}, fmt.Errorf("store: find %q: %w", query, err)
	}
	return found, nil
}

func usedPatterns(ctx context.Context, t pgx.Tx, workshop WorkshopID) ([]batchcode.Pattern, error) {
	rows, err := t.Query(ctx, `SELECT pattern FROM code_pattern WHERE workshop_id = $1`, workshop)
	if err != nil {
		return nil, err
	}
	texts, err := pgx.CollectRows(rows, pgx.RowTo[string])
	var patterns []batchcode.Pattern
	for _, text := range texts {
		// One that a later rule refuses made no code that this rule could know.
		if p, err := batchcode.ParsePattern(text); err == nil {
			patterns = append(patterns, p)
		}
	}
	return patterns, err
}

// codes finds codes on units by equality of near keys, which row-level security lets an index answer.
func (f *Found) codes(ctx context.Context, t pgx.Tx, workshop WorkshopID, patterns []batchcode.Pattern) error {
	key := batchcode.Fold(f.Query)
	if key == "" {
		return nil
	}
	rows, err := t.Query(ctx, nearCodes, workshop, batchcode.Deletions(key))
	if err != nil {
		return err
	}
	codes, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return err
	}
	codes = batchcode.Rank(f.Query, codes)
	if len(codes) > foundMost {
		codes = codes[:foundMost]
	}
	list, err := codesInWords(ctx, t, workshop, codes)
	if err != nil {
		return err
	}
	for i, c := range list {
		if batchcode.Fold(c.Code) == key {
			f.Exact, f.Sure = &list[i], provesItself(c.Code, patterns) && len(c.Also) == 0
		} else {
			f.Near = append(f.Near, c)
		}
	}
	if f.Exact == nil {
		f.Mistyped = batchcode.Mistyped(f.Query, patterns)
		f.NotOurs = !f.Mistyped && slices.ContainsFunc(patterns, func(p batchcode.Pattern) bool { return p.HasCheck() && p.Matches(f.Query) })
	}
	return nil
}

// nearCodes are the codes that share a near key. $2 the near keys.
const nearCodes = `SELECT DISTINCT code FROM code_near WHERE workshop_id = $1 AND near_key = ANY ($2::text[])`

// provesItself tells whether a code's check character says that it was read right: it is right, and the code is one
// of a pattern that has one. A last letter of an imported code may fit by chance, where no pattern gave it.
func provesItself(code string, patterns []batchcode.Pattern) bool {
	return batchcode.Valid(code) && slices.ContainsFunc(patterns, func(p batchcode.Pattern) bool { return p.HasCheck() && p.Matches(code) })
}

// codesInWords says what stands behind each code, in the order given: the batch or packing whose own it is, and units of
// others that bear it. A code that leads nowhere any more is left out, and one that is another's but for look-alikes is
// told with that one.
func codesInWords(ctx context.Context, t pgx.Tx, workshop WorkshopID, codes []string) ([]FoundCode, error) {
	var keys []string
	for _, c := range codes {
		if key := foldBatch(c); !slices.Contains(keys, key) {
			keys = append(keys, key)
		}
	}
	if len(keys) == 0 {
		return nil, nil
	}
	rows, err := t.Query(ctx, `SELECT c.key, x.* FROM unnest($2::text[]) c (key) CROSS JOIN LATERAL (
			SELECT o.code, b.code AS batch, coalesce(pp.name, bp.name, f.name, ''), b.made_on, p.packed_on, coalesce(p.best_before, b.best_before),
			       CASE WHEN b.status = 'void' THEN 'void' ELSE coalesce(p.status, b.status) END, coalesce(p.printed, ''), coalesce(`+recallOfPacking+`, `+recallOfBatch+`, 0)
			  FROM (SELECT q.batch_id, q.id, q.code FROM packing q WHERE q.workshop_id = $1 AND q.code_key = c.key
			        UNION ALL SELECT y.id, NULL, y.code FROM batch y WHERE y.workshop_id = $1 AND y.code_key = c.key AND NOT EXISTS (SELECT FROM packing q WHERE q.workshop_id = $1 AND q.code_key = c.key)) o
			  JOIN batch b ON b.workshop_id = $1 AND b.id = o.batch_id LEFT JOIN packing p ON p.workshop_id = $1 AND p.id = o.id LEFT JOIN product pp ON pp.workshop_id = $1 AND pp.id = p.product_id
			  LEFT JOIN product bp ON bp.workshop_id = $1 AND bp.id = b.product_id LEFT JOIN formula f ON f.workshop_id = $1 AND f.id = b.formula_id OFFSET 0) x`, workshop, keys)
	if err != nil {
		return nil, err
	}
	found := map[string]*FoundCode{}
	var key string
	var c FoundCode
	if _, err := pgx.ForEachRow(rows, []any{&key, &c.Code, &c.Batch, &c.Name, &c.MadeOn, &c.PackedOn, &c.BestBefore, &c.Status, &c.Printed, &c.Recall}, func() error {
		own := c
		found[key] = &own
		return nil
	}); err != nil {
		return nil, err
	}
	also, err := queryUnitCodes(ctx, t, `WHERE u.workshop_id = $1 AND u.code_key = ANY ($2::text[]) AND u.replaced_by IS NULL ORDER BY k.code`, workshop, keys)
	if err != nil {
		return nil, err
	}
	for _, u := range also {
		key := foldBatch(u.Code)
		if found[key] == nil {
			p, err := packingByCode(ctx, t, workshop, u.Packing)
			if err != nil {
				return nil, err
			}
			found[key] = &FoundCode{Code: u.Code, Name: p.ProductName, PackedOn: p.PackedOn, BestBefore: p.BestBefore, Status: p.Status, Printed: p.Printed, Recall: p.Recall}
		}
		found[key].Also = append(found[key].Also, u)
	}
	var list []FoundCode
	for _, key := range keys {
		if found[key] != nil {
			list = append(list, *found[key])
		}
	}
	return list, nil
}

// pastPrefix ends the range of all keys that begin with a prefix: no character comes after it.
const pastPrefix = "\U0010FFFF"

// prefixHits are what begins with a key, by kind, at most $6 keys of each. Every further word in $5 must begin a key of
// the same thing too; OFFSET 0 has its few keys read, rather than all that begin so. $2 kinds, $3 and $4 from and to.
const prefixHits = `SELECT k.kind, s.target_id, min(s.key) FROM unnest($2::text[]) k (kind) CROSS JOIN LATERAL (
		SELECT x.target_id, x.key FROM search_key x WHERE x.workshop_id = $1 AND x.kind = k.kind AND x.key >= $3 AND x.key < $4
		   AND NOT EXISTS (SELECT FROM unnest($5::text[]) w (word) WHERE NOT EXISTS (
		       SELECT FROM (SELECT z.key FROM search_key z WHERE z.workshop_id = $1 AND z.target_id = x.target_id OFFSET 0) y WHERE y.key >= w.word AND y.key < w.word || '` + pastPrefix + `'))
		 ORDER BY x.key LIMIT $6) s
	GROUP BY k.kind, s.target_id`

// wordKinds are the kinds that have a name, and so more than one word.
var wordKinds = []string{"customer", "product", "formula", "material", "supplier", "equipment"}

// rarestWord is the word that begins the fewest names: a search for two words reads no more than the rarer one asks
// for. Counting stops where it no longer matters.
func rarestWord(ctx context.Context, t pgx.Tx, workshop WorkshopID, ws []string) (string, error) {
	var word string
	err := t.QueryRow(ctx, `SELECT w.word FROM unnest($3::text[]) w (word) CROSS JOIN LATERAL (
			SELECT sum(s.n) AS n FROM unnest($2::text[]) k (kind) CROSS JOIN LATERAL (SELECT count(*) AS n FROM (
				SELECT FROM search_key x WHERE x.workshop_id = $1 AND x.kind = k.kind AND x.key >= w.word AND x.key < w.word || '`+pastPrefix+`' LIMIT 500) y OFFSET 0) s) c
		ORDER BY c.n, length(w.word) DESC, w.word LIMIT 1`, workshop, wordKinds, ws).Scan(&word)
	return word, err
}

// things finds everything else by prefix: the whole query as one code, the same with its look-alikes read as digits,
// and each of its words.
func (f *Found) things(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	whole, b := foldWord(f.Query), &pgx.Batch{}
	// A thing may have several keys in a range; four times as many keys as things are shown will do.
	ask := func(kinds []string, prefix string, others []string) {
		b.Queue(prefixHits, workshop, kinds, prefix, prefix+pastPrefix, others, 4*(foundMost+1))
	}
	ask(foundKinds, whole, []string{})
	alike := foldCode(f.Query)
	if alike != whole && strings.ContainsFunc(f.Query, unicode.IsDigit) {
		ask([]string{"batch", "packing", "lot", "dispatch", "crate", "equipment"}, alike, []string{})
	}
	if ws := words(f.Query); len(ws) > 1 && len(ws) < 10 {
		rarest, err := rarestWord(ctx, t, workshop, ws)
		if err != nil {
			return err
		}
		ask(wordKinds, rarest, ws)
	}
	hits := map[string]map[[16]byte]string{}
	results := t.SendBatch(ctx, b)
	for range b.Len() {
		rows, err := results.Query()
		if err == nil {
			err = gatherHits(rows, hits)
		}
		if err != nil {
			_ = results.Close()
			return err
		}
	}
	if err := results.Close(); err != nil {
		return err
	}
	return f.list(ctx, t, workshop, hits, whole, alike)
}

// gatherHits notes for each thing the shortest key that matched, by which an exact code is told from a beginning.
func gatherHits(rows pgx.Rows, hits map[string]map[[16]byte]string) error {
	var kind, key string
	var id [16]byte
	_, err := pgx.ForEachRow(rows, []any{&kind, &id, &key}, func() error {
		if hits[kind] == nil {
			hits[kind] = map[[16]byte]string{}
		}
		if old, ok := hits[kind][id]; !ok || len(key) < len(old) {
			hits[kind][id] = key
		}
		return nil
	})
	return err
}

// list reads what the hits are: the best 20 of each kind, those that match exactly first.
func (f *Found) list(ctx context.Context, t pgx.Tx, workshop WorkshopID, hits map[string]map[[16]byte]string, whole, alike string) error {
	var kinds []string
	var ids [][16]byte
	more := map[string]bool{}
	exact := func(key string) bool { return key == whole || key == alike }
	for _, kind := range foundKinds {
		of := make([][16]byte, 0, len(hits[kind]))
		for id := range hits[kind] {
			of = append(of, id)
		}
		slices.SortFunc(of, func(x, y [16]byte) int {
			kx, ky := hits[kind][x], hits[kind][y]
			return cmp.Or(-boolCompare(exact(kx), exact(ky)), cmp.Compare(kx, ky), slices.Compare(x[:], y[:]))
		})
		if len(of) > foundMost {
			of, more[kind] = of[:foundMost], true
		}
		for _, id := range of {
			kinds, ids = append(kinds, kind), append(ids, id)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	rows, err := t.Query(ctx, thingsInWords, workshop, kinds, ids)
	if err != nil {
		return err
	}
	items := map[[16]byte]map[string]FoundItem{}
	var id [16]byte
	var i FoundItem
	if _, err := pgx.ForEachRow(rows, []any{&i.Kind, &id, &i.Code, &i.Name, &i.Detail, &i.On, &i.Status, &i.Recall}, func() error {
		if items[id] == nil {
			items[id] = map[string]FoundItem{}
		}
		items[id][i.Kind] = i
		return nil
	}); err != nil {
		return err
	}
	var named, alikes []FoundItem
	for n, id := range ids {
		item, ok := items[id][kinds[n]]
		if !ok {
			continue // a key whose thing is gone; nothing of ours removes one
		}
		if len(f.Groups) == 0 || f.Groups[len(f.Groups)-1].Kind != item.Kind {
			f.Groups = append(f.Groups, FoundGroup{Kind: item.Kind, More: more[item.Kind]})
		}
		g := &f.Groups[len(f.Groups)-1]
		g.Items = append(g.Items, item)
		if item.Kind == "lot" || item.Kind == "supplier_lot" || item.Kind == "dispatch" {
			switch hits[item.Kind][id] {
			case whole:
				named = append(named, item)
			case alike:
				alikes = append(alikes, item)
			}
		}
	}
	if len(named) == 0 {
		named = alikes
	}
	f.Straight = onlyOne(named)
	if f.Exact != nil {
		f.Straight = nil
	}
	return nil
}

// onlyOne is the lot or dispatch that has a code where nothing else has it: no other lot, also not by its supplier's
// number. A supplier's number alone names a delivery, of which there may be more tomorrow.
func onlyOne(exact []FoundItem) *FoundItem {
	if len(exact) == 0 || exact[0].Kind == "supplier_lot" {
		return nil
	}
	for _, other := range exact[1:] {
		if other.Code != exact[0].Code || other.Kind == "dispatch" {
			return nil
		}
	}
	return &exact[0]
}

func boolCompare(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	default:
		return -1
	}
}

// thingsInWords says what each hit is. $2 kinds, $3 ids. One branch a kind, each one LATERAL block, so that a search
// reads only what it shows.
const thingsInWords = `
	SELECT y.*, coalesce(CASE WHEN y.kind = 'batch' THEN (SELECT ` + recallOfBatch + ` FROM batch b WHERE b.workshop_id = $1 AND b.id = y.id)
		WHEN y.kind = 'packing' THEN (SELECT ` + recallOfPacking + ` FROM packing p WHERE p.workshop_id = $1 AND p.id = y.id)
		WHEN y.status = 'recalled' THEN (SELECT ` + recallOfLot + ` FROM material_lot l WHERE l.workshop_id = $1 AND l.id = y.id) END, 0) FROM (
	SELECT o.kind, o.id, x.* FROM unnest($2::text[], $3::uuid[]) o (kind, id) CROSS JOIN LATERAL (
		SELECT b.code, coalesce((SELECT z.name FROM packing p JOIN product z ON z.workshop_id = $1 AND z.id = p.product_id WHERE p.workshop_id = $1 AND p.batch_id = b.id ORDER BY p.n LIMIT 1), pr.name, f.name, '') AS name,
		       '' AS detail, b.made_on AS happened_on, b.status FROM batch b LEFT JOIN product pr ON pr.workshop_id = $1 AND pr.id = b.product_id LEFT JOIN formula f ON f.workshop_id = $1 AND f.id = b.formula_id
		 WHERE o.kind = 'batch' AND b.workshop_id = $1 AND b.id = o.id OFFSET 0) x
	UNION ALL SELECT o.kind, o.id, x.* FROM unnest($2::text[], $3::uuid[]) o (kind, id) CROSS JOIN LATERAL (
		SELECT p.code, pr.name, '', p.packed_on, p.status FROM packing p JOIN product pr ON pr.workshop_id = $1 AND pr.id = p.product_id
		 WHERE o.kind = 'packing' AND p.workshop_id = $1 AND p.id = o.id OFFSET 0) x
	UNION ALL SELECT o.kind, o.id, x.* FROM unnest($2::text[], $3::uuid[]) o (kind, id) CROSS JOIN LATERAL (
		SELECT l.code, m.name, concat_ws(' lot ', nullif(p.name, ''), nullif(l.supplier_lot, '')), l.received_on, CASE WHEN l.recalled THEN 'recalled' ELSE l.status END
		  FROM material_lot l JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id LEFT JOIN supplier p ON p.workshop_id = $1 AND p.id = l.supplier_id
		 WHERE o.kind IN ('lot', 'supplier_lot') AND l.workshop_id = $1 AND l.id = o.id OFFSET 0) x
	UNION ALL SELECT o.kind, o.id, x.* FROM unnest($2::text[], $3::uuid[]) o (kind, id) CROSS JOIN LATERAL (
		SELECT d.code, c.name, '', d.dispatched_on, '' FROM dispatch d JOIN customer c ON c.workshop_id = $1 AND c.id = d.customer_id
		 WHERE o.kind = 'dispatch' AND d.workshop_id = $1 AND d.id = o.id OFFSET 0) x
	UNION ALL SELECT o.kind, o.id, x.* FROM unnest($2::text[], $3::uuid[]) o (kind, id) CROSS JOIN LATERAL (
		SELECT k.code, c.name, '', k.event_on, k.status FROM crate k JOIN customer c ON c.workshop_id = $1 AND c.id = k.customer_id
		 WHERE o.kind = 'crate' AND k.workshop_id = $1 AND k.id = o.id OFFSET 0) x
	UNION ALL SELECT o.kind, o.id, x.* FROM unnest($2::text[], $3::uuid[]) o (kind, id) CROSS JOIN LATERAL (
		SELECT c.code, c.name, c.kind, NULL::date, '' FROM customer c WHERE o.kind = 'customer' AND c.workshop_id = $1 AND c.id = o.id OFFSET 0) x
	UNION ALL SELECT o.kind, o.id, x.* FROM unnest($2::text[], $3::uuid[]) o (kind, id) CROSS JOIN LATERAL (
		SELECT p.code, p.name, '', NULL::date, '' FROM product p WHERE o.kind = 'product' AND p.workshop_id = $1 AND p.id = o.id OFFSET 0) x
	UNION ALL SELECT o.kind, o.id, x.* FROM unnest($2::text[], $3::uuid[]) o (kind, id) CROSS JOIN LATERAL (
		SELECT f.code, f.name, '', NULL::date, '' FROM formula f WHERE o.kind = 'formula' AND f.workshop_id = $1 AND f.id = o.id OFFSET 0) x
	UNION ALL SELECT o.kind, o.id, x.* FROM unnest($2::text[], $3::uuid[]) o (kind, id) CROSS JOIN LATERAL (
		SELECT m.code, m.name, m.kind, NULL::date, '' FROM material m WHERE o.kind = 'material' AND m.workshop_id = $1 AND m.id = o.id OFFSET 0) x
	UNION ALL SELECT o.kind, o.id, x.* FROM unnest($2::text[], $3::uuid[]) o (kind, id) CROSS JOIN LATERAL (
		SELECT s.code, s.name, '', NULL::date, '' FROM supplier s WHERE o.kind = 'supplier' AND s.workshop_id = $1 AND s.id = o.id OFFSET 0) x
	UNION ALL SELECT o.kind, o.id, x.* FROM unnest($2::text[], $3::uuid[]) o (kind, id) CROSS JOIN LATERAL (
		SELECT e.code, e.name, e.kind, NULL::date, '' FROM equipment e WHERE o.kind = 'equipment' AND e.workshop_id = $1 AND e.id = o.id OFFSET 0) x) y`
