package console

import (
	"fmt"
	"html/template"
	"net/http"
	"regexp"
	"strings"

	"calandria/console/catalog"
	"calandria/plant/words"
)

// languageOf is the language of an answer: what the person has chosen, else the site's,
// else what the browser asks for.
func (s *Server) languageOf(r *http.Request) *catalog.Language {
	return catalog.Choose(s.languages, s.choice(r).Get("language"), s.b.House().Config.Site.Language, r.Header.Get("Accept-Language"))
}

// siteLanguage is the language of what goes to nobody in particular: files, mail.
func (s *Server) siteLanguage() *catalog.Language {
	return catalog.Choose(s.languages, s.b.House().Config.Site.Language)
}

// A template in another language is the same template with its own words exchanged: the
// text between tags, and that of attributes which a person reads. An action that shows
// a value stands in the key as {1}, {2} and so on, and says its value in the language.
var (
	aPiece     = regexp.MustCompile(`(?s)\{\{.*?\}\}|<(?:\{\{.*?\}\}|[^>])*>`)
	anAction   = regexp.MustCompile(`(?s)^(\{\{(?:-\s)?\s*)(.*?)(\s*(?:\s-)?\}\})$`)
	aReadable  = regexp.MustCompile(`(?s)\b(title|aria-label|placeholder|data-why|alt)="((?:\{\{.*?\}\}|[^"])*)"`)
	isControl  = regexp.MustCompile(`^(if|else|end|range|with|template|define|block|break|continue|/\*|\$\w+\s*:?=)`)
	aWord      = regexp.MustCompile(`(?s)\pL.*\pL`)
	aFigure    = regexp.MustCompile(`^[±+−]? ?\d+\.\d+( ± \d+\.\d+)?( [^\s\d]{1,12})?$`)
	spaces     = regexp.MustCompile(`\s+`)
	anOrdinal  = regexp.MustCompile(`\{\d+\}`)
	anEntity   = regexp.MustCompile(`&\w+;`)
	emptyWords = regexp.MustCompile(`^\{\{-?\s*""\s*-?\}\}$`)
)

// inLanguage gives the source of a template with its words as say has them.
func inLanguage(source string, say func(key string) string) string {
	var out, run strings.Builder
	code, at := false, 0
	flush := func() {
		exchange := say
		if code {
			exchange = func(key string) string { return key }
		}
		out.WriteString(exchanged(run.String(), exchange))
		run.Reset()
	}
	for _, m := range aPiece.FindAllStringIndex(source, -1) {
		run.WriteString(source[at:m[0]])
		at = m[1]
		piece := source[m[0]:m[1]]
		if strings.HasPrefix(piece, "{{") && !isControl.MatchString(anAction.FindStringSubmatch(piece)[2]) && !emptyWords.MatchString(piece) {
			run.WriteString(piece)
			continue
		}
		flush()
		code = strings.HasPrefix(piece, "<code") // what stands in it is typed as it is
		if strings.HasPrefix(piece, "<") {
			piece = aReadable.ReplaceAllStringFunc(piece, func(attribute string) string {
				m := aReadable.FindStringSubmatch(attribute)
				return m[1] + `="` + inLanguage(m[2], say) + `"`
			})
		}
		out.WriteString(piece)
	}
	run.WriteString(source[at:])
	flush()
	return out.String()
}

// exchanged is inLanguage of a run of words and values.
func exchanged(run string, say func(key string) string) string {
	var values []string
	key := aPiece.ReplaceAllStringFunc(run, func(action string) string {
		m := anAction.FindStringSubmatch(action)
		action = m[1] + m[2] + " | words" + m[3]
		values = append(values, action)
		return fmt.Sprintf("{%d}", len(values))
	})
	bare := strings.TrimSpace(key)
	before, after, _ := strings.Cut(key, bare)
	bare = spaces.ReplaceAllString(bare, " ")
	if aWord.MatchString(anEntity.ReplaceAllString(anOrdinal.ReplaceAllString(bare, ""), "")) && !strings.Contains(bare, `="`) {
		bare = say(bare)
	}
	return before + anOrdinal.ReplaceAllStringFunc(bare, func(ordinal string) string {
		var n int
		if _, err := fmt.Sscanf(ordinal, "{%d}", &n); err != nil || n < 1 || n > len(values) {
			return ordinal
		}
		return values[n-1]
	}) + after
}

// inScripts finds the texts of scripts: what they give to t.
var inScripts = regexp.MustCompile(`\bt\("((?:[^"\\]|\\.)*)"`)

// scriptWords are the texts of the scripts in a language, as far as they differ.
func (s *Server) scriptWords(l *catalog.Language) func() map[string]string {
	texts := map[string]string{}
	for name, a := range s.assets {
		if !strings.HasSuffix(name, ".js") {
			continue
		}
		for _, m := range inScripts.FindAllSubmatch(a.body, -1) {
			if key := string(m[1]); l.Plain(key) != key {
				texts[key] = l.Plain(key)
			}
		}
	}
	return func() map[string]string { return texts }
}

// toCheckIn reports that a text is shown in translation, which the site has to check.
func toCheckIn(l *catalog.Language) func(t words.Text) bool {
	return func(t words.Text) bool { return l.Say(t) != t.String() }
}

// wordsIn says a value of a page in a language: words, and the names that the types of
// the core have. A string stays as it is, but for the decimal sign of a figure.
func wordsIn(l *catalog.Language) func(v any) any {
	return func(v any) any {
		switch v := v.(type) {
		case words.Text:
			return l.Say(v)
		case template.HTML:
			return v
		case string:
			if aFigure.MatchString(v) {
				return l.Figures(v)
			}
		case fmt.Stringer:
			return l.Plain(v.String())
		}
		return v
	}
}
