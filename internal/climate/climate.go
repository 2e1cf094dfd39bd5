// Package climate decides what the air of a workshop or cure room was: saturation vapour pressure, dew point and
// absolute humidity by the Magnus form of WMO-No. 8 (CIMO Guide) Annex 4.B, one reading against the limits of a
// formula, and a logger's readings over a cure.
package climate

import (
	"math"

	"example.org/stillroom/internal/fault"
)

// Field names of the faults of this package, shared with the forms.
const (
	FieldTemp     = "temp_c"
	FieldHumidity = "humidity_pct"
)

// WMO-No. 8 Annex 4.B: ew = 6.112 exp(17.62 t / (243.12 + t)), t in °C, ew in hPa over water; the pressure factor
// f(p) is taken as 1, which is within 0.5 % at any pressure a workshop meets (from memory).
const (
	magnusHPa = 6.112
	magnusA   = 17.62
	magnusB   = 243.12
)

// MinTempC and MaxTempC bound the temperatures the Magnus form is given for (from memory of WMO-No. 8 Annex 4.B).
const (
	MinTempC = -45.0
	MaxTempC = 60.0
)

// vapourGKPerJ is C of a = C e / T, e in Pa and T in K: 2.16679 gK/J, here for e in hPa
// (Vaisala HMT120 user guide A.7).
const vapourGKPerJ = 216.679

const zeroCelsiusK = 273.15

// SaturationHPa is the vapour pressure in hPa of saturated air over water at tC in °C. An Invalid fault beside
// FieldTemp says that tC is no number or outside -45..60 °C.
func SaturationHPa(tC float64) (float64, error) {
	if err := checkTemp(tC); err != nil {
		return 0, err
	}
	return saturationHPa(tC), nil
}

// DewPointC is the temperature in °C to which air of tC °C and rhPct % relative humidity must cool for water to
// settle; never above tC. Invalid faults: tC as in SaturationHPa, rhPct not above 0 and at most 100 (air without
// any water has no dew point).
func DewPointC(tC, rhPct float64) (float64, error) {
	if err := (Reading{TempC: tC, HumidityPct: rhPct}).Check(); err != nil {
		return 0, err
	}
	if rhPct == 0 {
		return 0, fault.In(FieldHumidity, "Air at 0 % humidity has no dew point.")
	}
	// ln(e/6.112) is taken apart into logarithms, so that the smallest humidity does not underflow to ln 0.
	lnRatio := math.Log(rhPct/100) + magnusA*tC/(magnusB+tC)
	// Rounding may leave a hair over tC at 100 %; air never condenses above its own temperature.
	return min(magnusB*lnRatio/(magnusA-lnRatio), tC), nil
}

// AbsoluteHumidity is the water in the air in g/m³ at tC °C and rhPct % relative humidity. Invalid faults: tC as in
// SaturationHPa, rhPct outside 0..100.
func AbsoluteHumidity(tC, rhPct float64) (gPerM3 float64, err error) {
	if err := (Reading{TempC: tC, HumidityPct: rhPct}).Check(); err != nil {
		return 0, err
	}
	return vapourGKPerJ * saturationHPa(tC) * rhPct / 100 / (zeroCelsiusK + tC), nil
}

func saturationHPa(tC float64) float64 { return magnusHPa * math.Exp(magnusA*tC/(magnusB+tC)) }

func checkTemp(tC float64) error {
	var faults fault.Fields
	addTemp(&faults, FieldTemp, tC)
	return faults.Err()
}

func addTemp(faults *fault.Fields, field string, tC float64) {
	if !(tC >= MinTempC && tC <= MaxTempC) { // written so that NaN fails
		faults.Add(field, "A temperature from -45 to 60 °C is needed.")
	}
}

func addHumidity(faults *fault.Fields, field string, rhPct float64) {
	if !(rhPct >= 0 && rhPct <= 100) {
		faults.Add(field, "A humidity from 0 to 100 % is needed.")
	}
}
