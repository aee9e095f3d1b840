package milk_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/milk"
)

func near9(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Max(1, math.Abs(b)) }

func steaming(t *rapid.T) (milk.Steaming, float64) {
	draw := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
	s := milk.Steaming{
		MilkG: draw("milk", 50, 1000), FromC: draw("from", 1, 10), HeatKJ: draw("heat", 3.7, 4.1),
		Steam: milk.WandSteam().Wet(draw("dryness", 0.8, 1)),
		Jug:   milk.Jug{MassG: draw("jug", 0, 500), HeatKJ: 0.5, CelsiusC: draw("jug C", 5, 30)},
		Form:  rapid.SampledFrom([]milk.Form{milk.Full, milk.Simple}).Draw(t, "form"),
	}
	return s, draw("to", 35, 75)
}

func TestSteamBalancesMassAndEnergy(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, to := steaming(t)
		r, err := s.To(to)
		if err != nil {
			t.Fatal(err)
		}
		perKG := s.Steam.Dryness * s.Steam.LatentKJ
		if s.Form == milk.Full {
			hf, err := milk.WaterEnthalpy(to)
			if err != nil {
				t.Fatal(err)
			}
			perKG = s.Steam.EnthalpyKJ() - hf
		}
		given := r.SteamG / 1000 * perKG
		taken := s.MilkG/1000*s.HeatKJ*(to-s.FromC) + s.Jug.MassG/1000*s.Jug.HeatKJ*(to-s.Jug.CelsiusC)
		if !near9(given, taken) || !near9(r.MilkHeatKJ+r.JugHeatKJ, taken) || !near9(r.OutG, s.MilkG+r.SteamG) {
			t.Fatalf("steam gives %v kJ, milk and jug take %v kJ; %+v", given, taken, r)
		}
		if r.Form != s.Form {
			t.Fatalf("form %v not said", s.Form)
		}
		back, err := s.With(r.SteamG)
		if err != nil || !near9(back.EndC, to) {
			t.Fatalf("%v °C came back as %v, %v", to, back.EndC, err)
		}
	})
}

func TestSteamIsMonotoneAndScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, to := steaming(t)
		steam := func(s milk.Steaming, to float64) float64 {
			r, err := s.To(to)
			if err != nil {
				t.Fatal(err)
			}
			return r.SteamG
		}
		base := steam(s, to)
		warmer, wetter, heavier, double := s, s, s, s
		hotter := steam(s, to+1)
		warmer.FromC++
		wetter.Steam = s.Steam.Wet(s.Steam.Dryness - 0.05)
		heavier.Jug.MassG += 50
		double.MilkG *= 2
		double.Jug.MassG *= 2
		if hotter <= base || steam(warmer, to) >= base || steam(wetter, to) <= base || steam(heavier, to) <= base {
			t.Fatalf("steam %v must rise with end, wetness and jug, fall with start", base)
		}
		if !near9(steam(double, to), 2*base) {
			t.Fatal("twice the milk in twice the jug must take twice the steam")
		}
		// The same jug round less milk takes relatively more.
		more := s
		more.MilkG *= 2
		if s.Jug.MassG > 1 && steam(more, to)/2 >= base {
			t.Fatal("a larger batch must take relatively less")
		}
	})
}

func TestToAgreesWithSteam(t *testing.T) {
	// Two paths to the same figure: the older function and the newer type.
	want, err := milk.Steam(150, 4, 65, milk.SteamEnthalpyKJ)
	if err != nil {
		t.Fatal(err)
	}
	r, err := milk.Steaming{MilkG: 150, FromC: 4, HeatKJ: milk.SpecificHeatKJ, Steam: milk.AtmosphericSteam()}.To(65)
	if err != nil || !near9(r.SteamG, want) {
		t.Errorf("To = %v, %v; Steam = %v", r.SteamG, err, want)
	}
}

func TestMixBalancesHeat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		parts := []milk.Part{
			{Name: "espresso", MassG: draw("espresso", 10, 100), CelsiusC: draw("espresso C", 55, 80), HeatKJ: 4.1},
			{Name: "milk", MassG: draw("milk", 10, 400), CelsiusC: draw("milk C", 50, 70), HeatKJ: 3.95},
		}
		in := milk.CeramicCup(draw("cup", 100, 400), draw("cup C", 18, 49))
		in.Share = draw("share", 0.1, 1)
		m, err := milk.Mix(parts, in)
		if err != nil {
			t.Fatal(err)
		}
		var lost float64
		for _, p := range parts {
			lost += p.MassG / 1000 * p.HeatKJ * (p.CelsiusC - m.HandoverC)
		}
		gained := in.MassG / 1000 * in.HeatKJ * in.Share * (m.HandoverC - in.CelsiusC)
		if !near9(lost, gained) || !near9(m.MassG, parts[0].MassG+parts[1].MassG) {
			t.Fatalf("liquids lose %v kJ, the cup gains %v kJ", lost, gained)
		}
		if m.HandoverC >= m.MixC || m.HandoverC <= in.CelsiusC {
			t.Fatalf("handover %v must lie between cup %v and mix %v", m.HandoverC, in.CelsiusC, m.MixC)
		}
		back, err := milk.CupFor(parts, in, m.HandoverC)
		if err != nil || math.Abs(back-in.CelsiusC) > 1e-9*100/in.Share {
			t.Fatalf("cup at %v °C came back as %v, %v", in.CelsiusC, back, err)
		}
		in.CelsiusC++
		warmer, err := milk.Mix(parts, in)
		if err != nil || warmer.HandoverC <= m.HandoverC {
			t.Fatalf("a warmer cup must hand over warmer: %v, %v", warmer, err)
		}
	})
}

func TestMeltBalancesMassAndEnergy(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		coffee, white := draw("espresso", 10, 100), draw("milk", 0, 300)
		d := milk.Iced{
			Liquids: []milk.Part{
				{Name: "espresso", MassG: coffee, CelsiusC: draw("espresso C", 20, 80), HeatKJ: 4.18},
				{Name: "milk", MassG: white, CelsiusC: 8, HeatKJ: 3.93},
			},
			LiquidML: coffee + white, IceG: draw("ice", 0, 300), EspressoG: coffee, EndC: draw("end", 0, 7),
			Form: rapid.SampledFrom([]milk.Form{milk.Full, milk.Simple}).Draw(t, "form"),
		}
		m, err := d.Melt()
		if err != nil {
			t.Fatal(err)
		}
		perKG := float64(milk.IceLatentKJ)
		if d.Form == milk.Full {
			perKG += milk.WaterSpecificKJ * m.EndC
		}
		var lost float64
		for _, p := range d.Liquids {
			lost += p.MassG / 1000 * p.HeatKJ * (p.CelsiusC - m.EndC)
		}
		if !near9(lost, m.MeltG/1000*perKG) || !near9(lost, m.HeatKJ) {
			t.Fatalf("liquids lose %v kJ, ice takes %v kJ; %+v", lost, m.MeltG/1000*perKG, m)
		}
		if !near9(m.LiquidG+m.IceLeftG, coffee+white+d.IceG) || m.IceLeftG < 0 {
			t.Fatalf("mass is not kept: %+v", m)
		}
		if m.AllMelted != (m.IceLeftG == 0) || (m.AllMelted && m.EndC < d.EndC-1e-9) {
			t.Fatalf("%+v for %+v", m, d)
		}
		if m.ShareEnd > m.ShareStart || m.FallML < -1e-9 || !near9(m.BeforeML-m.AfterML, m.FallML) {
			t.Fatalf("melt must dilute and the sum of volumes fall: %+v", m)
		}
	})
}
