package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"calandria/cmd/service"
	"calandria/cmd/table"
	"calandria/console"
	"calandria/plant"
	"calandria/thermo/pan"
)

type strikesCmd struct {
	Pan     string `help:"Path of one pan; default all."`
	Grade   string `help:"Only strikes of this grade."`
	From    string `help:"Ended from then on: 2026-11-01, 2026-11-01T06:00:00Z, or an age such as 8h or 3d." default:"30d"`
	To      string `help:"Ended before then; default now."`
	Limit   int    `help:"The most strikes to list; the newest ones are listed." default:"1000"`
	Profile int64  `help:"The profile of the strike with this number of the record, in place of the list." placeholder:"ID"`
	Format  string `help:"text, csv or json." default:"text" enum:"text,csv,json"`
	Out     string `help:"File to write; default standard output." type:"path"`
	Data    string `help:"The data folder." default:"data" type:"path"`
}

func (c *strikesCmd) Run(a *app) error {
	if c.Limit < 1 {
		return fmt.Errorf("--limit %d: give 1 or more", c.Limit)
	}
	f := plant.StrikeFilter{ID: c.Profile}
	if c.Profile == 0 {
		var err error
		f = plant.StrikeFilter{Pan: c.Pan, Grade: c.Grade, Limit: c.Limit}
		if f.From, f.To, err = parseSpan(c.From, c.To, time.UTC); err != nil {
			return err
		}
	}
	j, err := service.OpenJournal(c.Data)
	if err != nil {
		return err
	}
	defer j.Close()
	found, err := j.Strikes(a.ctx, f)
	if err != nil {
		return err
	}
	if c.Profile != 0 && len(found) == 0 {
		return fmt.Errorf("--profile %d: there is no such strike on record; 'calandria strikes' lists them", c.Profile)
	}
	var list []console.Strike
	for _, r := range found {
		s, err := service.StrikeOf(r)
		if err != nil {
			return err
		}
		list = append(list, console.Strike{ID: r.ID, Pan: r.Pan, Strike: &s})
	}
	return a.into(c.Out, func(w io.Writer) error {
		b := bufio.NewWriter(w)
		return errors.Join(c.write(b, list), b.Flush())
	})
}

func (c *strikesCmd) write(w io.Writer, list []console.Strike) error {
	switch {
	case c.Format == "json":
		return console.WriteStrikesJSON(w, list, c.Profile != 0)
	case c.Profile != 0: // a profile is a table in any case
		return console.WriteProfileCSV(w, &list[0])
	case c.Format == "csv":
		return console.WriteStrikesCSV(w, list)
	}
	n := func(v pan.Reading, digits int) string { return service.FigureText(v, digits, "–") }
	t := table.New("id", "pan", "no.", "begun (UTC)", "min", "phases, min", "water t", "highest S", "Brix", "crystal %", "notes")
	for i := range list {
		s := &list[i]
		var phases []string
		for _, p := range pan.Compare(s.Strike, &pan.Strike{}, s.End).Phases {
			phases = append(phases, fmt.Sprintf("%s %.0f", p.Phase, p.Duration.Minutes()))
		}
		notes := ""
		if !s.Whole {
			notes = "not seen whole"
		}
		crystal := s.Balance.CrystalPct
		if !crystal.OK {
			crystal = s.DropCrystal
		}
		t.Row(fmt.Sprint(s.ID), s.Pan, fmt.Sprint(s.Number), s.Start.UTC().Format("2006-01-02 15:04"), fmt.Sprintf("%.0f", s.End.Sub(s.Start).Minutes()), strings.Join(phases, ", "), n(s.WaterT, 1), n(s.MaxS, 2), n(s.DropBrix, 1), n(crystal, 1), notes)
	}
	t.Write(w)
	if len(list) == 0 {
		fmt.Fprintln(w, "no strikes on record in that time")
	}
	return nil
}
