// Package table prints aligned columns at a terminal.
package table

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"unicode"
)

// Table has a head and rows.
type Table struct{ rows [][]string }

// New is a table with that head.
func New(head ...string) *Table { return &Table{rows: [][]string{head}} }

// Row adds a line.
func (t *Table) Row(cells ...string) { t.rows = append(t.rows, cells) }

// Len is the number of lines beneath the head.
func (t *Table) Len() int { return len(t.rows) - 1 }

// Write writes it.
func (t *Table) Write(w io.Writer) {
	tw := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	for _, r := range t.rows {
		for i, c := range r {
			r[i] = Printable(c)
		}
		fmt.Fprintln(tw, strings.TrimRight(strings.Join(r, "\t"), "\t "))
	}
	tw.Flush()
}

// Printable keeps what a server sends from steering the terminal.
func Printable(s string) string {
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
