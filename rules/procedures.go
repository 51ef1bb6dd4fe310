package rules

import (
	"maps"
	"net/url"
	"path/filepath"
	"slices"
	"strings"

	"calandria/plant"
	"calandria/plant/words"
)

// procedureText is one row of procedures: in a rule file. Its key is the topic
// that rules name behind "SITE PROCEDURE:".
type procedureText struct {
	Title    string `yaml:"title"`
	Revision string `yaml:"revision"`
	Document string `yaml:"document"` // a file, counted from the rule file, or an address of the site's own server
}

// documentTypes are the files that a page can show by itself.
var documentTypes = []string{".pdf", ".txt", ".md", ".html", ".png", ".jpg", ".jpeg"}

// checkProcedures finds what is wrong with the list of procedures, and joins the
// lists of all files.
func (l *loader) checkProcedures() {
	l.procedures = map[string]plant.Procedure{}
	for _, lf := range l.files {
		for _, topic := range slices.Sorted(maps.Keys(lf.Procedures)) {
			p, field := lf.Procedures[topic], "procedures."+topic
			key := topicOf(topic)
			if old, ok := l.procedures[key]; ok {
				l.fault(lf, field, words.Say("the procedure stands twice: also in %s:%d", old.File, old.Line), "leave one of them out")
				continue
			}
			if p.Title == "" {
				p.Title = strings.ToUpper(topic[:1]) + topic[1:]
			}
			if p.Document == "" {
				l.fault(lf, field, "the procedure has no document", "write document: with a file beside the rule file, or an address of the site's own server")
				continue
			}
			if u, err := url.Parse(p.Document); err != nil || u.Scheme != "" {
				if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" {
					l.fault(lf, field+".document", words.Say("%q is no file and no address", p.Document), "write a file such as procedures/vacuum.pdf, or https://…")
					continue
				}
			} else {
				if !slices.Contains(documentTypes, strings.ToLower(filepath.Ext(p.Document))) {
					l.fault(lf, field+".document", words.Say("a page cannot show %q", p.Document), words.Say("use one of %s", strings.Join(documentTypes, ", ")))
					continue
				}
				if !filepath.IsAbs(p.Document) {
					p.Document = filepath.Join(filepath.Dir(lf.doc.File), p.Document)
				}
			}
			l.procedures[key] = plant.Procedure{Topic: key, Title: p.Title, Revision: p.Revision, Document: p.Document, File: lf.doc.File, Line: lf.doc.At(field).Line}
		}
	}
}

// topicOf is what a procedure is about: without the mark of a placeholder, in
// small letters.
func topicOf(text string) string {
	text = strings.TrimSpace(text)
	return strings.ToLower(strings.TrimSpace(text[len(placeholder.FindString(text)):]))
}

// procedure finds the site's document for a rule; a placeholder without one
// stays, and is told.
func (l *loader) procedure(lf *loaded, field string, o *overridden, spec *plant.AlarmSpec) {
	topic := topicOf(spec.Procedure)
	if p, ok := l.procedures[topic]; ok {
		spec.Topic, spec.Document, spec.Procedure = p.Topic, p.Document, p.Title
		if p.Revision != "" {
			spec.Procedure += ", revision " + p.Revision
		}
		return
	}
	if isPlaceholder(o.Procedure) {
		spec.Topic = topic
		pf, pfield := o.at(lf, field, "procedure")
		l.placehold(pf, pfield, o.Name, "procedure", o.Procedure, false)
	}
}

// Procedures lists the site's procedures by topic, as the rule files give them.
func (s *Set) Procedures() []plant.Procedure { return s.procedures }
