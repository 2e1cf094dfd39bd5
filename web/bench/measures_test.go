package bench_test

import (
	"net/http"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/access"
	figures "example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
)

// The ounce is 28.349523125 g by definition (international yard and pound agreement of 1959, from memory): 11.852 oz are
// 335.9985 g to a tenth of a milligram, and 70 °F are 21.11 °C.
func TestAWorkshopOfOuncesWeighsInThemAndTheBookKeepsGrams(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.style(figures.Style{Mass: "oz", Temperature: "F", Date: "mdy"})
	helper := s.As(access.Helper)
	start := helper.Get("/plans/" + s.plan() + "/start")
	says(t, start, "59 to 86 °F")
	hot := helper.Submit(start, "Start now", map[string]string{"temperature": "95", "humidity": "48"})
	if hot.Status != http.StatusUnprocessableEntity {
		t.Fatalf("95 °F are taken: %d", hot.Status)
	}
	says(t, hot, "95 °F; the formula allows 86 °F")
	page := arrive(helper, helper.Submit(helper.Get("/plans/"+s.plan()+"/start"), "Start now", map[string]string{"temperature": "70", "humidity": "48"}))
	code := page.Text(".whose > .tag")
	says(t, page, "Weigh Oat oil", "11.852 oz", "or 0.018 oz")
	off := helper.Submit(page, "Record", map[string]string{"grams": "12.852"})
	if off.Status != http.StatusUnprocessableEntity {
		t.Fatalf("an ounce too much is not asked about: %d", off.Status)
	}
	says(t, off, "12.852 oz of Oat oil instead of 11.852 oz", "Keep 12.852 oz")
	page = helper.Follow(helper.Submit(page, "Record", map[string]string{"grams": "11.852"}))
	says(t, page, "Weigh Shea butter", "Saved a moment ago: Oat oil 11.852 oz")
	b := s.read(code)
	if got := b.Climate[0].TemperatureC.String(); got != "21.11" {
		t.Errorf("70 °F are kept as %s °C", got)
	}
	if diff := cmp.Diff([]string{"335.9985 g, typed 11.852 oz"}, s.inputsTyped(code)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// What was weighed in grams is shown in ounces, rounded: a correction that is about something else must not change it.
func TestAWeightThatIsLeftAsItWasDrawnStaysExactlyAsItIs(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	code := s.begun()
	s.weigh(code, "line-1", "337.1")
	s.style(figures.Style{Mass: "oz", Temperature: "F", Date: "mdy"})
	maker := s.As(access.Maker)
	path := func() string { return paths.CorrectInput(code, store.Text(s.current(code))) }
	form := maker.Get(path())
	shown := form.Value("grams")
	if shown != "11.891" {
		t.Fatalf("337.1 g are shown as %q oz", shown)
	}
	if page := maker.Submit(form, "Correct it to", map[string]string{"reason": "the lot was looked up"}); page.Status != http.StatusSeeOther {
		t.Fatalf("the correction is answered %d", page.Status)
	}
	if got := s.grams(code); got != "337.1" {
		t.Errorf("left as it was drawn it became %s g", got)
	}
	maker.Submit(maker.Get(path()), "Correct it to", map[string]string{"grams": "11.9", "reason": "read again"})
	if got := s.grams(code); got != "337.3593" {
		t.Errorf("11.9 oz became %s g", got)
	}
}

func (s shop) current(code string) store.InputID {
	s.t.Helper()
	for _, in := range s.read(code).Lines[0].Inputs {
		if !in.Replaced {
			return in.ID
		}
	}
	s.t.Fatal("nothing stands for the first line")
	return store.InputID{}
}

func (s shop) grams(code string) string {
	s.t.Helper()
	for _, in := range s.read(code).Lines[0].Inputs {
		if !in.Replaced {
			return in.WeighedG.Decimal.String()
		}
	}
	return ""
}

func (s shop) inputsTyped(code string) []string {
	s.t.Helper()
	var text string
	s.row(`SELECT string_agg(weighed_g::text || ' g, typed ' || typed, '; ') FROM batch_input i JOIN batch b ON b.workshop_id = i.workshop_id AND b.id = i.batch_id WHERE b.code = '`+code+`'`, &text)
	return []string{text}
}
