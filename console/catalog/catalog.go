// Package catalog says texts in the languages of the message catalogue: one JSON file a
// language, from the English text to its translation. A further language is a
// further file.
package catalog

import (
	"cmp"
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strings"
	"sync"

	"golang.org/x/text/feature/plural"
	"golang.org/x/text/language"
	"golang.org/x/text/language/display"
	"golang.org/x/text/message"
	"golang.org/x/text/message/catalog"

	"calandria/plant/words"
)

//go:embed *.json
var files embed.FS

// Language is one language of the catalogue.
type Language struct {
	Tag   string // BCP 47: en, es, pt
	Name  string // in itself
	texts map[string]string
	print *message.Printer // nil: English, which is the key
	point string           // the decimal sign
	// shown writes a measure; nil: in its own unit.
	shown func(words.Measure) (number, unit words.Text)
}

// For is the language for who wants another decimal sign ("": its own) and measures in
// units of his.
func (l *Language) For(point string, shown func(words.Measure) (number, unit words.Text)) *Language {
	own := *l
	own.point, own.shown = cmp.Or(point, l.point), shown
	return &own
}

// entry is a translation: a text, or one for each plural form of the first value, a
// number: {"one": ..., "other": ...}.
type entry struct {
	text  string
	forms map[string]string
}

func (e *entry) UnmarshalJSON(b []byte) error {
	if b[0] == '"' {
		return json.Unmarshal(b, &e.text)
	}
	return json.Unmarshal(b, &e.forms)
}

// All gives the languages, English first.
var All = sync.OnceValues(func() ([]*Language, error) { return Load(files) })

// Load reads the languages of a folder.
func Load(from fs.FS) ([]*Language, error) {
	all := []*Language{{Tag: "en", Name: "English", point: "."}}
	names, err := fs.Glob(from, "*.json")
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		l, err := read(from, name)
		if err != nil {
			return nil, fmt.Errorf("catalogue %s: %w", name, err)
		}
		all = append(all, l)
	}
	return all, nil
}

func read(from fs.FS, name string) (*Language, error) {
	body, err := fs.ReadFile(from, name)
	if err != nil {
		return nil, err
	}
	var entries map[string]entry
	if err := json.Unmarshal(body, &entries); err != nil {
		return nil, err
	}
	tag, err := language.Parse(strings.TrimSuffix(path.Base(name), ".json"))
	if err != nil {
		return nil, fmt.Errorf("name the file by its language, such as fr.json: %w", err)
	}
	l := &Language{Tag: tag.String(), Name: display.Self.Name(tag), texts: make(map[string]string, len(entries))}
	b := catalog.NewBuilder(catalog.Fallback(language.English))
	for key, e := range entries {
		l.texts[key] = e.text
		if e.forms != nil {
			l.texts[key] = e.forms["other"]
			err = b.Set(tag, key, plural.Selectf(1, "", "one", catalog.String(e.forms["one"]), "other", catalog.String(e.forms["other"])))
		} else {
			err = b.SetString(tag, key, e.text)
		}
		if err != nil {
			return nil, fmt.Errorf("%q: %w", key, err)
		}
	}
	l.print = message.NewPrinter(tag, message.Catalog(b))
	l.point = strings.Trim(l.print.Sprint(1.5), "15")
	return l, nil
}

// Has reports whether a text is in the catalogue of the language.
func (l *Language) Has(key string) bool {
	_, ok := l.texts[key]
	return l.print == nil || ok
}

// Say says a text in the language; what is not in the catalogue stays English.
func (l *Language) Say(t words.Text) string {
	return t.In(l.say)
}

func (l *Language) say(format string, values []any) string {
	if text, whole := strings.CutPrefix(format, words.Whole); whole {
		return cmp.Or(l.texts[text], text)
	}
	if len(values) == 0 {
		return l.Plain(format)
	}
	for i, v := range values {
		switch v := v.(type) {
		case float64:
			values[i] = figure{v, l.point}
		case words.Measure:
			number, unit := words.Text(fmt.Sprintf(v.Form, v.Value)), words.Text(v.Unit)
			if l.shown != nil {
				number, unit = l.shown(v)
			}
			values[i] = l.Figures(string(number)) + " " + l.Plain(string(unit))
		}
	}
	if l.print == nil {
		return fmt.Sprintf(format, values...)
	}
	return l.print.Sprintf(format, values...)
}

// Plain says words without values. The space about them stays.
func (l *Language) Plain(text string) string {
	if t, ok := l.texts[text]; ok {
		return t
	}
	bare := strings.TrimSpace(text)
	if t, ok := l.texts[bare]; ok && bare != "" {
		before, after, _ := strings.Cut(text, bare)
		return before + t + after
	}
	return l.Figures(l.clauses(bare, text))
}

// clauses says a text of several clauses clause by clause, as far as the catalogue has
// them.
func (l *Language) clauses(bare, text string) string {
	for _, between := range []string{"; ", ": "} {
		if parts := strings.Split(bare, between); len(parts) > 1 {
			for i, p := range parts {
				parts[i] = l.Plain(p)
			}
			before, after, _ := strings.Cut(text, bare)
			return before + strings.Join(parts, between) + after
		}
	}
	return text
}

var aFigure = regexp.MustCompile(`([0-9])\.([0-9])`)

// Figures writes the figures of a text with the decimal sign of the language.
func (l *Language) Figures(text string) string {
	if l.point == "." {
		return text
	}
	return aFigure.ReplaceAllString(text, "${1}"+l.point+"${2}")
}

// figure is a number that is written with the decimal sign of its language.
type figure struct {
	value float64
	point string
}

// Format writes it.
func (f figure) Format(s fmt.State, verb rune) {
	fmt.Fprint(s, strings.Replace(fmt.Sprintf(fmt.FormatString(s, verb), f.value), ".", f.point, 1))
}

// Choose gives the first of the wishes that the catalogue has: tags, or the header
// Accept-Language. English if there is none.
func Choose(all []*Language, wishes ...string) *Language {
	tags := make([]language.Tag, len(all))
	for i, l := range all {
		tags[i] = language.Make(l.Tag)
	}
	m := language.NewMatcher(tags)
	for _, wish := range wishes {
		list, _, err := language.ParseAcceptLanguage(wish)
		if err != nil || len(list) == 0 {
			continue
		}
		if _, i, sure := m.Match(list...); sure != language.No {
			return all[i]
		}
	}
	return all[0]
}

// Printf is fmt.Sprintf in the language, for formats that hold no words.
func (l *Language) Printf(format string, values ...any) string {
	return l.Say(words.Say(words.Text(format), values...))
}

// Tags are those of all languages.
func Tags() (out []string) {
	all, _ := All() // the files are in the program, and a test reads them
	for _, l := range all {
		out = append(out, l.Tag)
	}
	return out
}

// Known reports whether there is a language of that tag.
func Known(tag string) bool {
	return slices.Contains(Tags(), tag)
}
