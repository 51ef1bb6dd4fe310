package pan

// TableRow is a row of the table in words, for the handbook.
type TableRow struct{ From, When, Held, To, Began, Words, Note string }

// Table is how strikes are found, in words that name the limits.
func Table() (rows []TableRow) {
	for _, r := range table {
		x := TableRow{From: r.From.String(), When: r.When.words, To: r.To.String(), Began: r.Began.words, Words: string(r.Words.Words()), Note: string(r.Note.Words())}
		if r.Held != NoLimit {
			x.Held = LimitSpecs[r.Held].Name
		}
		if r.To == sameKind {
			x.To = "(stays)"
		}
		rows = append(rows, x)
	}
	return rows
}
