package main

import (
	"errors"
	"fmt"

	"calandria/cmd/table"
	"calandria/plant"
	"calandria/thermo"
)

type whatIfCmd struct {
	ruleSource
	Data      string            `help:"The data folder." default:"data" type:"path"`
	Set       string            `help:"Name of the evaporator set; needed if there are several."`
	Clean     []string          `help:"Bodies that are cleaned: EV4,EV5."`
	Bypass    []string          `help:"Bodies that are by-passed."`
	Steam     string            `name:"steam-pressure" help:"Steam pressure in the first calandria, kPa absolute: 170, or +5%."`
	Last      string            `name:"last-pressure" help:"Vapour pressure in the last body, kPa absolute."`
	Juice     string            `help:"Juice, t/h."`
	Brix      string            `help:"Brix of the juice."`
	Bleed     map[string]string `help:"Vapour bled after the effect of a body, t/h: EV2=+10%."`
	SyrupBrix string            `help:"Syrup Brix, held by the steam pressure."`
	HoldBrix  bool              `help:"Hold the syrup Brix as it is, by the steam pressure."`
}

// Help is what --help prints below the flags.
func (whatIfCmd) Help() string {
	return "Each amount is a value, or a change such as +10%. What is left out stays as it is. The prediction is of a new steady state; it changes nothing."
}

func (c *whatIfCmd) Run(a *app) error {
	h, calc, _, done, err := c.standing(a, &c.Set, c.Data)
	if err != nil {
		return err
	}
	defer done()
	x := thermo.Supposition{Set: c.Set, Clean: c.Clean, Bypass: c.Bypass, Hold: c.HoldBrix}
	amount := func(flag, text string, to *thermo.Amount) {
		v, wrong := thermo.ParseAmount(text)
		if *to = v; wrong != nil {
			err = errors.Join(err, fmt.Errorf("--%s: %w", flag, wrong))
		}
	}
	amount("steam-pressure", c.Steam, &x.SteamKPa)
	amount("last-pressure", c.Last, &x.LastKPa)
	amount("juice", c.Juice, &x.JuiceTH)
	amount("brix", c.Brix, &x.Brix)
	amount("syrup-brix", c.SyrupBrix, &x.SyrupBrix)
	for body, text := range c.Bleed {
		e, ok := h.Equip(body)
		if !ok {
			e, ok = h.Equip(c.Set + "." + body)
		}
		if !ok || e.Class != plant.ClassBody {
			err = errors.Join(err, fmt.Errorf("--bleed: there is no body %q in %s", body, c.Set))
			continue
		}
		amount("bleed", text, &x.BleedTH[e.Body.Effect-1])
	}
	if err != nil {
		return err
	}
	out, err := calc.WhatIf(x)
	if err != nil {
		return err
	}
	value := func(v *float64, n int) string {
		if v == nil {
			return "–"
		}
		return fmt.Sprintf("%.*f", n, *v)
	}
	change := func(f *thermo.Foreseen) (now, then, by string) {
		if f.Now != nil && f.Then != nil {
			by = fmt.Sprintf("%+.*f ± %.2g", f.Decimals+1, *f.Then-*f.Now, f.Sigma)
		}
		return value(f.Now, f.Decimals), value(f.Then, f.Decimals), by
	}
	t := table.New("figure", "now", "then", "change", "unit")
	for i := range out.Set {
		now, then, by := change(&out.Set[i])
		t.Row(out.Set[i].Name.String(), now, then, by, out.Set[i].Unit)
	}
	t.Write(a.out)
	fmt.Fprintln(a.out)
	head := []string{"body"}
	for _, f := range out.Bodies[0].Figures {
		head = append(head, f.Name.String()+", "+f.Unit)
	}
	t = table.New(head...)
	for _, b := range out.Bodies {
		row := []string{b.Body}
		for i := range b.Figures {
			now, then, _ := change(&b.Figures[i])
			row = append(row, now+" → "+then)
		}
		t.Row(row...)
	}
	t.Write(a.out)
	fmt.Fprintln(a.out, "\nDearest bottleneck: each body cleaned by itself, at the steam pressure of now")
	t = table.New("body", "U more", "evaporation more, t/h", "steam to the set more, t/h", "steam of the house less, t/h", "costs a day "+out.Currency, "")
	for _, b := range out.Bottlenecks {
		if b.Why != "" {
			t.Row(b.Body, "–", "–", "–", "–", "–", b.Why.String())
			continue
		}
		t.Row(b.Body, fmt.Sprintf("%.0f %%", 100*(b.Ratio-1)), fmt.Sprintf("%.2f", b.EvaporationTH), fmt.Sprintf("%.2f", b.SteamTH),
			fmt.Sprintf("%.2f ± %.2g", b.SavedTH, b.Sigma), fmt.Sprintf("%.0f", b.CostADay), "")
	}
	t.Write(a.out)
	for _, n := range out.Notes {
		fmt.Fprintln(a.out, n)
	}
	return nil
}
