package store_test

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// The long entries of the shelf write to half a dozen tables each. Wherever one breaks off nothing of it is left, and sent
// again it is stored whole, once. It is cut at its first statement that writes, then at its second, until it gets through.
func TestAnEntryAtTheShelfThatIsCutOffAnywhereLeavesNothing(t *testing.T) {
	t.Parallel()
	yes := store.Really{Yes: true, Reason: "it is so"}
	for name, begin := range map[string]func(h setShop) func(context.Context, store.Entry) error{
		"a tub filled with more than recorded from a lot in quarantine": func(h setShop) func(context.Context, store.Entry) error {
			_, err := h.ReceiveLot(h.t.Context(), h.maker, store.Entry{}, store.Receipt{Code: "SB-Q", Material: "SB", Quantity: packDec("100"), ReceivedOn: h.today})
			packOK(h.t, err)
			return func(ctx context.Context, entry store.Entry) error {
				_, err := h.FillTub(ctx, h.helper, entry, store.TubFill{Tub: "Blue drum", Material: "SB", From: []store.TubDraw{tubOf("SB-1", "20"), tubOf("SB-Q", "150")}, Really: yes})
				return err
			}
		},
		"a tub topped up from what expires earlier": func(h setShop) func(context.Context, store.Entry) error {
			h.lot("SB", "SB-E", "100", h.today.AddDays(20))
			tub, err := h.FillTub(h.t.Context(), h.helper, store.Entry{}, store.TubFill{Tub: "Blue drum", Material: "SB", From: []store.TubDraw{tubOf("SB-1", "20")}})
			packOK(h.t, err)
			return func(ctx context.Context, entry store.Entry) error {
				return h.TopUpTub(ctx, h.helper, entry, store.TopUp{Lot: tub, From: []store.TubDraw{tubOf("SB-E", "120")}, Really: yes})
			}
		},
		"a set of more units than there are": func(h setShop) func(context.Context, store.Entry) error {
			h.stocked()
			n := h.three()
			n.Units[0].Units, n.Really = 12, yes
			return func(ctx context.Context, entry store.Entry) error {
				_, err := h.PutTogether(ctx, h.helper, entry, n)
				return err
			}
		},
		"a set taken apart": func(h setShop) func(context.Context, store.Entry) error {
			code := h.stocked().put(h.three())
			return func(ctx context.Context, entry store.Entry) error {
				return h.TakeApart(ctx, h.maker, entry, code, "written down by mistake")
			}
		},
		"a crate that is back": func(h setShop) func(context.Context, store.Entry) error {
			h.stocked()
			ctx := h.t.Context()
			crate, err := h.AddCrate(ctx, h.helper, store.Entry{}, store.NewCrate{NewEvent: "Quay Fair", On: h.today, Lines: []store.DispatchLine{{Packing: "FZ-1", Units: 5}, {Packing: "BR-1", Units: 5}}})
			packOK(h.t, err)
			_, err = h.SendCrate(ctx, h.helper, store.Entry{}, crate, store.CrateLeaves{On: h.today})
			packOK(h.t, err)
			return func(ctx context.Context, entry store.Entry) error {
				return h.BookCrateBack(ctx, h.helper, entry, crate, store.CrateBack{On: h.today, Lines: []store.CrateCount{{Packing: "FZ-1", Left: 2, Tester: 1, Damaged: 1, Disposition: "hold", Note: "dented"}, {Packing: "BR-1", Broken: 1}}})
			}
		},
		"a crate that has left with units on hold": func(h setShop) func(context.Context, store.Entry) error {
			h.stocked()
			crate, err := h.AddCrate(h.t.Context(), h.helper, store.Entry{}, store.NewCrate{NewEvent: "Quay Fair", On: h.today, Lines: []store.DispatchLine{{Packing: "FZ-1", Units: 5}, {Packing: "BR-1", Units: 12}}})
			packOK(h.t, err)
			packOK(h.t, h.PlaceHold(h.t.Context(), h.helper, store.Entry{}, store.NewHold{Packing: "FZ-1", Reason: "a smell"}))
			return func(ctx context.Context, entry store.Entry) error {
				_, err := h.SendCrate(ctx, h.helper, entry, crate, store.CrateLeaves{On: h.today, AlreadyLeft: true, Reason: "the van has gone"})
				return err
			}
		},
		"a shelf counted": func(h setShop) func(context.Context, store.Entry) error {
			h.stocked()
			return func(ctx context.Context, entry store.Entry) error {
				_, err := h.CountShelf(ctx, h.helper, entry, store.ShelfCount{Lines: []store.CountedLine{{Packing: "FZ-1", Units: 9}, {Packing: "BR-1", Units: 11}}, Note: "counted twice"})
				return err
			}
		},
		"leave signed to work something in again": func(h setShop) func(context.Context, store.Entry) error {
			source := h.crumbled()
			return func(ctx context.Context, entry store.Entry) error {
				return h.SignRework(ctx, h.maker, entry, reworkLeave(source, "100"), packPassword)
			}
		},
		"a code noted on units": func(h setShop) func(context.Context, store.Entry) error {
			h.stocked()
			return func(ctx context.Context, entry store.Entry) error {
				return h.NoteUnitCode(ctx, h.helper, entry, store.NewUnitCode{Packing: "FZ-1", Code: "FZ-77", Kind: "misprint", Reason: "the ribbon ran"})
			}
		},
		"a sample that used up looks spoiled": func(h setShop) func(context.Context, store.Entry) error {
			code := h.dried()
			h.pack(h.nine(code))
			id, err := h.AddSample(h.t.Context(), h.helper, store.Entry{}, store.NewSample{Packing: code, Units: 1, Place: "shelf 3", TakenOn: h.today})
			packOK(h.t, err)
			return func(ctx context.Context, entry store.Entry) error {
				return h.InspectSample(ctx, h.helper, entry, id, store.Inspection{On: h.today, Result: "spoiled", Words: "rancid", Used: 1})
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newSetShop(t)
			cutEverywhere(t, h, begin(h))
		})
	}
}

func cutEverywhere(t *testing.T, h setShop, send func(context.Context, store.Entry) error) {
	t.Helper()
	owner, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	packOK(t, err)
	defer owner.Close(context.Background())
	run := func(sql string) {
		t.Helper()
		_, err := owner.Exec(t.Context(), sql)
		packOK(t, err)
	}
	// A sequence counts its statements; what is cut off does not turn it back, so each turn restarts it.
	run(`CREATE SEQUENCE cut_n; GRANT USAGE ON cut_n TO PUBLIC`)
	entry := store.Entry{Key: uuid.New()}
	before := cutCounts(t, owner)
	cut := 0
	for statement := 1; ; statement++ {
		body := `RAISE EXCEPTION 'cut'`
		if statement%2 == 0 {
			body = `PERFORM pg_terminate_backend(pg_backend_pid())`
		}
		run(fmt.Sprintf(`ALTER SEQUENCE cut_n RESTART; CREATE OR REPLACE FUNCTION cut() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN IF nextval('cut_n') = %d THEN %s; END IF; RETURN NULL; END $$`, statement, body))
		if statement == 1 {
			run(`DO $$ DECLARE r text; BEGIN FOR r IN SELECT relname FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace AND relname NOT IN ('throttle', 'audit', 'chain_link', 'chain_head') LOOP
				EXECUTE format('CREATE TRIGGER cut AFTER INSERT OR UPDATE OR DELETE ON %I FOR EACH STATEMENT EXECUTE FUNCTION cut()', r); END LOOP; END $$`)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		err := send(ctx, entry)
		cancel()
		if err == nil {
			break
		}
		cut++
		if fault.As(err) != nil || errors.Is(err, context.DeadlineExceeded) {
			t.Fatalf("cut at statement %d: got %v, want a failure", statement, err)
		}
		if diff := cmp.Diff(before, cutCounts(t, owner)); diff != "" {
			t.Errorf("cut at statement %d: something is left: %s", statement, diff)
		}
	}
	if cut < 4 {
		t.Errorf("it was cut in only %d places", cut)
	}
	run(`DROP FUNCTION cut() CASCADE`)
	stored := cutCounts(t, owner)
	if diff := cmp.Diff(before, stored); diff == "" {
		t.Error("let through it stored nothing")
	}
	packOK(t, send(t.Context(), entry))
	if diff := cmp.Diff(stored, cutCounts(t, owner)); diff != "" {
		t.Errorf("sent again it stored more: %s", diff)
	}
	h.verified()
}
