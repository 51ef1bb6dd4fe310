// Package words holds what is said to a person as data: which words, and what was put
// into them. An edge says it in the language of who reads.
package words

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Text is words for a person, in English. A constant is a Text; [Say] makes one of a
// format and values. Texts may be joined with + and compared. Everything that is
// a Text can be translated; what must stay as it is, such as a name or what a person
// wrote, is a string.
type Text string

// A text with values is begin, format, and each value after next, end. The first byte of
// a value says what it is.
const (
	begin, next, end = '\x0e', '\x1f', '\x0f'
	part             = "\x1e" // between the parts of a Measure
	marks            = "\x0e\x1f\x0f" + part
)

// Measure is a value in a unit of the program, which an edge shows in the unit of the site.
type Measure struct {
	Value float64
	Unit  string // kPa, degC, K, t/h
	Form  string // of the value, as in package fmt: %.2g
	Of    string // the tag or the vessel that has it; empty: a difference, which counts from no zero
}

// String writes it in the program's unit.
func (m Measure) String() string { return fmt.Sprintf(m.Form, m.Value) + " " + m.Unit }

// Say makes a Text of a format (as in package fmt) and values: Texts, which are
// translated, numbers and Measures, and strings, which are not. What has Words, or is an error, says
// them. A value with a method String
// counts as a Text: names of phases, of priorities.
func Say(format Text, values ...any) Text {
	if len(values) == 0 {
		return format
	}
	var b strings.Builder
	b.WriteByte(begin)
	b.WriteString(string(format))
	for _, v := range values {
		b.WriteByte(next)
		switch v := v.(type) {
		case Text:
			b.WriteString("t" + string(v))
		case float64:
			b.WriteString("f" + strconv.FormatFloat(v, 'g', -1, 64))
		case int, int64, uint64, uint8:
			fmt.Fprintf(&b, "d%d", v)
		case Measure:
			b.WriteString("m" + strconv.FormatFloat(v.Value, 'g', -1, 64) + part + v.Unit + part + v.Form + part + verbatim(v.Of))
		case interface{ Words() Text }:
			b.WriteString("t" + string(v.Words()))
		case error:
			b.WriteString("t" + string(Of(v)))
		case fmt.Stringer:
			b.WriteString("t" + verbatim(v.String()))
		default:
			b.WriteString("s" + verbatim(fmt.Sprint(v)))
		}
	}
	b.WriteByte(end)
	return Text(b.String())
}

// Fill is a Text with names in braces, as rule files have them, and what stands for each:
// "{title}", "Set 1". Of what stands for a limit the edge writes the figures.
func Fill(text string, pairs ...string) Text {
	var t strings.Builder
	t.WriteString(string(begin) + Whole + verbatim(text))
	for _, p := range pairs {
		t.WriteString(string(next) + "s" + verbatim(p))
	}
	return Text(t.String() + string(end))
}

// Whole begins what [Text.In] asks for where only the whole text can be said otherwise: one
// with names in braces.
const Whole = "\x01"

// Verbatim is a Text that no language changes: a name, words of the site.
func Verbatim(s string) Text {
	if s == "" {
		return ""
	}
	return Say("%s", s)
}

func verbatim(s string) string {
	if !strings.ContainsAny(s, marks) {
		return s
	}
	return strings.Map(func(r rune) rune {
		if strings.ContainsRune(marks, r) {
			return -1
		}
		return r
	}, s)
}

// String says it in English.
func (t Text) String() string {
	return t.In(func(format string, values []any) string {
		if len(values) == 0 {
			return strings.TrimPrefix(format, Whole)
		}
		return fmt.Sprintf(format, values...)
	})
}

// MarshalText says it in English.
func (t Text) MarshalText() ([]byte, error) { return []byte(t.String()), nil }

// In says it as say does: it gets each format with its values (string, float64, int64, Measure),
// and what stands between them with none.
func (t Text) In(say func(format string, values []any) string) string {
	rest := string(t)
	if strings.IndexByte(rest, begin) < 0 {
		return say(rest, nil)
	}
	var out strings.Builder
	for rest != "" {
		i := strings.IndexByte(rest, begin)
		if i < 0 {
			i = len(rest)
		}
		if i > 0 {
			out.WriteString(say(rest[:i], nil))
		}
		if rest = rest[i:]; rest != "" {
			var parts []string
			parts, rest = split(rest[1:])
			values := make([]any, len(parts)-1)
			for k, p := range parts[1:] {
				values[k] = valueOf(p, say)
			}
			if text, is := strings.CutPrefix(parts[0], Whole); is {
				out.WriteString(fill(say(Whole+text, nil), values, say))
				continue
			}
			out.WriteString(say(parts[0], values))
		}
	}
	return out.String()
}

func fill(text string, values []any, say func(string, []any) string) string {
	pairs := make([]string, len(values))
	for i, v := range values {
		pairs[i], _ = v.(string)
		if i%2 == 1 && strings.HasPrefix(pairs[i-1], "{limit") {
			pairs[i] = say(pairs[i], nil)
		}
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

// split gives the format and the values of what was begun, and what follows it.
func split(s string) (parts []string, rest string) {
	depth, from := 0, 0
	for i := range len(s) {
		switch s[i] {
		case begin:
			depth++
		case next:
			if depth == 0 {
				parts, from = append(parts, s[from:i]), i+1
			}
		case end:
			if depth == 0 {
				return append(parts, s[from:i]), s[i+1:]
			}
			depth--
		}
	}
	return append(parts, s[from:]), ""
}

func valueOf(p string, say func(string, []any) string) any {
	if p == "" {
		return ""
	}
	switch kind, text := p[0], p[1:]; kind {
	case 't':
		return Text(text).In(say)
	case 'f':
		v, _ := strconv.ParseFloat(text, 64)
		return v
	case 'm':
		if m := strings.Split(text, part); len(m) == 4 {
			v, _ := strconv.ParseFloat(m[0], 64)
			return Measure{v, m[1], m[2], m[3]}
		}
		return text
	case 'd':
		v, _ := strconv.ParseInt(text, 10, 64)
		return v
	default:
		return text
	}
}

// Errorf is an error that says a Text; it wraps the first error among the values.
func Errorf(format Text, values ...any) error {
	e := said{}
	for i, v := range values {
		if err, is := v.(error); is {
			values[i] = Of(err)
			if e.err == nil {
				e.err = err
			}
		}
	}
	e.text = Say(format, values...)
	return e
}

type said struct {
	text Text
	err  error
}

func (e said) Error() string { return e.text.String() }
func (e said) Words() Text   { return e.text }
func (e said) Unwrap() error { return e.err }

// Of is what an error says: of one by [Errorf], and any that has Words, a Text; of others
// their words as they are.
func Of(err error) Text {
	if joined, is := err.(interface{ Unwrap() []error }); is {
		var all []Text
		for _, e := range joined.Unwrap() {
			all = append(all, Of(e))
		}
		return Join(all, "; ")
	}
	if e, ok := errors.AsType[interface {
		error
		Words() Text
	}](err); ok {
		return e.Words()
	}
	return Verbatim(err.Error())
}

// Both is one text behind the other, or the one that there is.
func Both(a, b Text) Text {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

// Join puts texts one behind the other, with something between them.
func Join(list []Text, between Text) Text {
	var b strings.Builder
	for i, t := range list {
		if i > 0 {
			b.WriteString(string(between))
		}
		b.WriteString(string(t))
	}
	return Text(b.String())
}
