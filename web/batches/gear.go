package batches

import (
	"slices"
	"strings"

	"example.org/stillroom/internal/equipment"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// packingGear is what units may be packed with. Moulds and dehumidifiers belong to the making and the cure.
func (a Area) packingGear(r *ui.Request) ([]store.EquipmentStanding, error) {
	list, err := a.Store.EquipmentInUse(r.HTTP.Context(), r.Who.Workshop, r.Today())
	return slices.DeleteFunc(list, func(e store.EquipmentStanding) bool { return e.Kind == "mould" || e.Kind == "dehumidifier" }), err
}

func usedField(code string) string  { return fieldUsedGear + "-" + code }
func cleanField(code string) string { return fieldCleanGear + "-" + code }

// ticked are the codes whose boxes of a kind are ticked.
func ticked(r *ui.Request, field string) map[string]bool {
	codes := map[string]bool{}
	for name := range r.HTTP.PostForm {
		if code, ok := strings.CutPrefix(name, field+"-"); ok {
			codes[code] = true
		}
	}
	return codes
}

// used are the uses to store: what is kept in the order of its list, then codes that the form no longer offers, for the
// store to say so.
func (p packForm) used(gear []store.EquipmentStanding) []store.NameUse {
	var list []store.NameUse
	rest := map[string]bool{}
	for code := range p.Gear {
		rest[code] = true
	}
	for _, e := range gear {
		if !p.Gear[e.Code] {
			continue
		}
		u := store.NameUse{Equipment: e.Code}
		if e.CleanBeforeUse {
			clean := p.Clean[e.Code]
			u.Clean = &clean
		}
		list = append(list, u)
		delete(rest, e.Code)
	}
	var others []string
	for code := range rest {
		others = append(others, code)
	}
	slices.Sort(others)
	for _, code := range others {
		list = append(list, store.NameUse{Equipment: code})
	}
	return list
}

// gearWords is what there is to say of a thing before it is used.
func (v packView) gearWords(e store.EquipmentStanding) string {
	words := e.Code
	if e.Place != "" {
		words += ", " + e.Place
	}
	switch e.Stands {
	case equipment.Never:
		words += ". It was never checked."
	case equipment.Failed:
		words += ". Its check failed on " + v.Style.Day(e.CheckedOn) + "."
	case equipment.Overdue:
		words += ". Its check was due on " + v.Style.Day(e.DueOn) + "."
	}
	return words
}
