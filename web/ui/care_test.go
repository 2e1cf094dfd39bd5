package ui

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestACautionIsSaidOnceWithAllThatItIsAbout(t *testing.T) {
	t.Parallel()
	const dust = "Fine dust: mask."
	for name, row := range map[string]struct{ have, want []Care }{
		"nothing to say":                     {[]Care{{"Olive oil", ""}, {"Water", " \n"}}, nil},
		"the same text of several":           {[]Care{{"Mica", dust}, {"Olive oil", ""}, {"Clay", dust}, {"Mica", dust}}, []Care{{"Mica, Clay", dust}}},
		"a line of a longer text":            {[]Care{{"Clay", dust}, {"Mica", dust + "\nStains."}}, []Care{{"Clay, Mica", dust}, {"Mica", "Stains."}}},
		"what holds for all names no single": {[]Care{{"", dust}, {"Mica", dust}}, []Care{{"", dust}}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(row.want, cares(row.have)); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestTheSheetGoesFirstUnlessTheTextSaysSo(t *testing.T) {
	t.Parallel()
	if defers([]Care{{"", "Hot."}}) || !defers([]Care{{"", "Hot."}, {"", "See its safety data sheet."}}) {
		t.Error("only a text that names the safety data sheet speaks for itself")
	}
}
