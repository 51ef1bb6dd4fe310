package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"
	"unicode"
)

// table prints aligned columns.
type table struct{ rows [][]string }

func newTable(head ...string) *table { return &table{rows: [][]string{head}} }

func (t *table) row(cells ...string) { t.rows = append(t.rows, cells) }

func (t *table) write(w io.Writer) {
	tw := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	for _, r := range t.rows {
		for i, c := range r {
			r[i] = printable(c)
		}
		fmt.Fprintln(tw, strings.TrimRight(strings.Join(r, "\t"), "\t "))
	}
	tw.Flush()
}

// printable keeps what a server sends from steering the terminal.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '\t' || r == '\n' || r == '\r' {
			return ' '
		}
		if !unicode.IsPrint(r) {
			return '\uFFFD'
		}
		return r
	}, s)
}

// counted is a number with its word: 1 fault, 2 faults.
func counted(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// into gives write a file of that name, or the output if there is none.
func (a *app) into(name string, write func(w io.Writer) error) error {
	if name == "" {
		return write(a.out)
	}
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	return errors.Join(write(f), f.Close())
}
