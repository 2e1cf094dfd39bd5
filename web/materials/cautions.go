package materials

import (
	"strings"

	"example.org/stillroom/internal/store"
)

// usualCaution is a text to start from. Common practice, no source: the supplier's safety data sheet and the law of
// the place decide, and each text says so.
type usualCaution struct{ Name, Words, Text string }

const sheetFirst = " The supplier's safety data sheet goes first, and the law of your place."

var usualCautions = []usualCaution{
	{"caution_alkali", "Alkali, such as lye", "Caustic: burns skin and eyes, and the solution gets hot. Gloves, goggles, long sleeves, fresh air. Alkali into water, never water into alkali. Splashes: rinse at once with much water." + sheetFirst},
	{"caution_acid", "Acid or its dust", "Irritates eyes, skin and airways. Goggles, gloves and a dust mask; weigh it without raising dust, keep it dry, and away from alkali and bleach." + sheetFirst},
	{"caution_hot", "Hot oil or wax", "Burns and may catch fire. Never leave it on the heat, keep water away from it, lid and fire blanket at hand; dry gloves and long sleeves." + sheetFirst},
	{"caution_allergen", "Allergen or essential oil", "Concentrated: may irritate or sensitise the skin, and fumes may burn. Gloves, fresh air, no flame; keep to the limit of use and name its allergens where the law asks for it." + sheetFirst},
	{"caution_dust", "Fine dust, such as starch, mica or clay", "Dust irritates eyes and airways, and in a cloud it may catch fire. Dust mask; scoop and pour low and slowly, no flame near, wipe up with a damp cloth." + sheetFirst},
	{"caution_glass", "Glass", "May be chipped or splintered. Look at each piece, sort out damaged ones, turn it over and tap out or rinse what is loose; after a breakage clear the whole bench, and what stood open beside it." + sheetFirst},
}

// withUsual puts the chosen usual texts before what was typed; one that stands there already is not repeated.
func withUsual(typed string, chosen map[string]bool) string {
	var parts []string
	for _, c := range usualCautions {
		if chosen[c.Name] && !strings.Contains(typed, c.Text) {
			parts = append(parts, c.Text)
		}
	}
	if typed = strings.TrimSpace(typed); typed != "" {
		parts = append(parts, typed)
	}
	return strings.Join(parts, "\n")
}

// startsFrom reads which usual texts were chosen, and puts them into the material's caution.
func (f *materialForm) startsFrom(on func(string) bool, m *store.Material) {
	f.Usual = map[string]bool{}
	for _, c := range usualCautions {
		f.Usual[c.Name] = on(c.Name)
	}
	m.Caution = withUsual(m.Caution, f.Usual)
}

// anyUsual tells whether a usual text is chosen: the list of them stands open then.
func (v materialFormView) anyUsual() bool {
	for _, on := range v.Form.Usual {
		if on {
			return true
		}
	}
	return false
}
