package plant

import (
	"bytes"
	"calandria/plant/words"
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Fault is one thing wrong with a file: where, what, and how to mend it.
type Fault struct {
	File    string
	Line    int // from 1; 0 if the file as a whole is meant
	Column  int
	Field   string // path of the field, e.g. "sets[0].bodies[2].effect"
	Problem words.Text
	Fix     words.Text
	Mark    string // an expression with a mark beneath its fault, of more lines; empty if it is none
}

// Error gives "file:line:column: field: problem; fix", in English.
func (f Fault) Error() string { return f.Words().String() }

// Words is the same for who reads it in another language.
func (f Fault) Words() words.Text {
	var b strings.Builder
	b.WriteString(f.File)
	if f.Line > 0 {
		fmt.Fprintf(&b, ":%d", f.Line)
		if f.Column > 0 {
			fmt.Fprintf(&b, ":%d", f.Column)
		}
	}
	b.WriteString(": ")
	if f.Field != "" {
		b.WriteString(f.Field + ": ")
	}
	t := words.Verbatim(b.String()) + f.Says()
	if f.Mark != "" {
		t += words.Verbatim("\n" + f.Mark)
	}
	return t
}

// Says is the problem with its fix, without the place.
func (f Fault) Says() words.Text {
	if f.Fix == "" {
		return words.Say("%s", f.Problem)
	}
	return words.Say("%s; %s", f.Problem, f.Fix)
}

// Faults is every fault found in one pass.
type Faults []Fault

// Error joins the faults, one a line, in English.
func (fs Faults) Error() string { return fs.Words().String() }

// Words is the same for who reads it in another language.
func (fs Faults) Words() words.Text {
	lines := make([]words.Text, len(fs))
	for i, f := range fs {
		lines[i] = f.Words()
	}
	return words.Join(lines, "\n")
}

// Err returns nil if there are no faults, else the faults sorted by place.
func (fs Faults) Err() error {
	if len(fs) == 0 {
		return nil
	}
	slices.SortStableFunc(fs, func(a, b Fault) int { return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line)) })
	return fs
}

// Place is a position in a file.
type Place struct{ Line, Column int }

// Document is a decoded YAML file that remembers where each field stood, so
// that later checks can name the line.
type Document struct {
	File   string
	Source []byte // the file as it was read
	places map[string]Place
}

// At returns the place of a field path; of its nearest parent if the field
// itself is absent.
func (d *Document) At(field string) Place {
	for {
		if p, ok := d.places[field]; ok {
			return p
		}
		i := strings.LastIndexAny(field, ".[")
		if i < 0 {
			return d.places[""]
		}
		field = field[:i]
	}
}

// Has reports whether the field stands in the file.
func (d *Document) Has(field string) bool {
	_, ok := d.places[field]
	return ok
}

// Fault makes a fault at a field.
func (d *Document) Fault(field string, problem, fix words.Text) Fault {
	p := d.At(field)
	return Fault{File: d.File, Line: p.Line, Column: p.Column, Field: field, Problem: problem, Fix: fix}
}

// MaxFileBytes is the largest configuration file that is read.
const MaxFileBytes = 8 << 20

// maxYAMLDepth and maxYAMLMarks bound what one configuration file may be before
// anything is made of it: the parser takes memory by the square of the depth,
// the lexer a third of a kilobyte for each mark.
const (
	maxYAMLDepth = 64
	maxYAMLMarks = 400_000 // characters that may begin or end a value
)

// marks counts the characters that may begin or end a value.
func marks(data []byte) (n int) {
	for _, c := range data {
		switch c {
		case '[', ']', '{', '}', ',', ':', '-', '?', '&', '*', '!', '|', '>', '%', '#', '"', '\'', '\n':
			n++
		}
	}
	return n
}

// tooDeep finds the first token that is nested deeper than is accepted; nil if
// none is. Nesting by indentation costs a line a level and is left to the
// decoder.
func tooDeep(tokens token.Tokens) *token.Token {
	depth, run, line := 0, 0, 0
	for _, t := range tokens {
		if t.Position.Line != line {
			line, run = t.Position.Line, 0
		}
		switch t.Type {
		case token.SequenceStartType, token.MappingStartType:
			depth++
		case token.SequenceEndType, token.MappingEndType:
			depth = max(0, depth-1)
		case token.SequenceEntryType, token.MappingKeyType, token.MappingValueType, token.TagType, token.AnchorType, token.AliasType:
			if depth == 0 {
				run++ // "- - - x" opens a level with each
			}
		}
		if depth > maxYAMLDepth || run > maxYAMLDepth {
			return t
		}
	}
	return nil
}

// DecodeYAML decodes one YAML document strictly into the struct v points to:
// unknown keys, repeated keys and wrong types are faults, and all of them are
// reported, each with its line. Fields are named by `yaml:"name"` tags.
// Anchors, aliases, tags and merges are not accepted: a reader should see what
// is there. Durations are written like 30s, 10m, 2h or 3d.
func DecodeYAML(file string, data []byte, v any) (doc *Document, faults Faults) {
	return decodeYAML(file, data, v, nil)
}

// decodeYAML also fills the sections at the top of the file that others
// declare; a nil one is known and passed over.
func decodeYAML(file string, data []byte, v any, sections map[string]any) (doc *Document, faults Faults) {
	doc = &Document{File: file, Source: data, places: map[string]Place{"": {Line: 1}}}
	if len(data) > MaxFileBytes {
		return doc, Faults{{File: file, Problem: words.Say("file is larger than %d bytes", MaxFileBytes), Fix: "split it"}}
	}
	if n := marks(data); n > maxYAMLMarks {
		return doc, Faults{{File: file, Problem: words.Say("the file has %d marks such as brackets and colons; %d are accepted", n, maxYAMLMarks), Fix: "split it"}}
	}
	// The parser is someone else's: a panic in it is a fault of the file.
	defer func() {
		if r := recover(); r != nil {
			faults = append(faults, Fault{File: file, Problem: "the file cannot be read as YAML", Fix: "check its indentation and quotes"})
		}
	}()
	tokens := lexer.Tokenize(string(data))
	if deep := tooDeep(tokens); deep != nil {
		return doc, Faults{{File: file, Line: deep.Position.Line, Column: deep.Position.Column, Problem: "nested too deeply", Fix: words.Say("%d levels are accepted", maxYAMLDepth)}}
	}
	names := append(fieldNames(reflect.TypeOf(v).Elem()), slices.Sorted(maps.Keys(sections))...)
	f, err := parser.Parse(tokens, 0)
	if err != nil && !begins(data, names) {
		return doc, Faults{otherKind(file, "", names)}
	}
	if err != nil {
		return doc, Faults{syntaxFault(file, err)}
	}
	var body ast.Node
	for _, d := range f.Docs {
		if d.Body == nil {
			continue
		}
		if body != nil {
			return doc, Faults{{File: file, Line: d.Body.GetToken().Position.Line, Problem: "a second document in the same file", Fix: "keep one document a file"}}
		}
		body = d.Body
	}
	dec := &decoder{doc: doc, sections: sections}
	if body == nil {
		return doc, Faults{{File: file, Line: 1, Problem: "the file is empty", Fix: "see the sample files in deploy/"}}
	}
	es, _ := entries(body)
	if !slices.ContainsFunc(es, func(e *ast.MappingValueNode) bool { return slices.Contains(names, keyText(e.Key)) }) {
		first := ""
		if len(es) > 0 {
			first = keyText(es[0].Key)
		}
		return doc, Faults{otherKind(file, first, names)}
	}
	dec.decode("", body, reflect.ValueOf(v).Elem(), 0)
	return doc, dec.faults
}

// otherKind is the fault of a file that is something else, by its form. It
// quotes nothing of it: a link may lead to a secret.
func otherKind(file, first string, names []string) Fault {
	return Fault{File: file, Line: 1, Problem: "the file is of another kind: none of the sections known here stands at its top",
		Fix: DidYouMean(Nearest(first, names), "%q", words.Say("known sections: %s", strings.Join(names, ", ")))}
}

// begins reports whether any line begins with a known section: what cannot be
// parsed is then most likely meant to be such a file.
func begins(data []byte, names []string) bool {
	for line := range bytes.Lines(data) {
		if key, _, ok := bytes.Cut(line, []byte(":")); ok && slices.Contains(names, strings.Trim(string(key), "\"' ")) {
			return true
		}
	}
	return false
}

func fieldNames(t reflect.Type) (names []string) {
	for _, f := range reflect.VisibleFields(t) {
		if name := f.Tag.Get("yaml"); name != "" && name != "-" {
			names = append(names, name)
		}
	}
	return names
}

// syntaxFault tells a fault of the syntax. The library's own text draws the file
// around it, which takes memory by the square of its length.
func syntaxFault(file string, err error) Fault {
	f := Fault{File: file, Problem: "the file cannot be read as YAML", Fix: "check indentation and quotes"}
	if at, ok := errors.AsType[yaml.Error](err); ok {
		p, _ := placeOf(at.GetToken())
		f.Problem, f.Line, f.Column = parserWords(at.GetMessage()), p.Line, p.Column
		if strings.Contains(at.GetMessage(), "'\t'") {
			f.Problem, f.Fix = "a tab stands here, which YAML does not take", "write spaces"
		}
	}
	return f
}

// parserSays are words of the YAML library for what people get wrong.
var parserSays = []words.Text{
	"',' or ']' must be specified", "',' or '}' must be specified",
	"could not find '[' character corresponding to ']'", "could not find '{' character corresponding to '}'",
	"could not find end character of double-quoted text", "could not find end character of single-quoted text",
	"could not find flow map content", "could not find flow mapping end token '}'", "sequence end token ']' not found",
	"could not find value for mapping key", "expected map key-value delimiter ':'", "expected sequence element, but found ','",
	"found an invalid key for this map", "mapping value is not allowed in this context", "non-map value is specified", "undefined map key",
	"block sequence entries are not allowed in this context", "unexpected end content", "unexpected key name", "unexpected scalar value",
	"value is not allowed in this context", "value is not allowed in this context. map key-value is pre-defined",
}

func parserWords(message string) words.Text {
	if slices.Contains(parserSays, words.Text(message)) {
		return words.Text(message)
	}
	var key string
	var line, column int
	if n, _ := fmt.Sscanf(message, "mapping key %q already defined at [%d:%d]", &key, &line, &column); n == 3 {
		return words.Say("mapping key %q already defined at [%d:%d]", key, line, column)
	}
	return words.Say("the file cannot be read as YAML: %s", message)
}

type decoder struct {
	doc      *Document
	faults   Faults
	sections map[string]any // at the top of the file: pointers, or nil
}

func (d *decoder) fault(tk *token.Token, field string, problem, fix words.Text) {
	p, _ := placeOf(tk)
	d.faults = append(d.faults, Fault{File: d.doc.File, Line: p.Line, Column: p.Column, Field: field, Problem: problem, Fix: fix})
}

func placeOf(tk *token.Token) (p Place, ok bool) {
	if tk == nil || tk.Position == nil {
		return p, false
	}
	return Place{tk.Position.Line, tk.Position.Column}, true
}

var durationType = reflect.TypeFor[time.Duration]()

func (d *decoder) decode(field string, n ast.Node, v reflect.Value, depth int) {
	tk := n.GetToken()
	if p, ok := placeOf(tk); ok && !d.doc.Has(field) {
		d.doc.places[field] = p
	}
	if depth > maxYAMLDepth {
		d.fault(tk, field, "nested too deeply", "")
		return
	}
	switch n.(type) {
	case *ast.AnchorNode, *ast.AliasNode, *ast.TagNode, *ast.MergeKeyNode:
		d.fault(tk, field, "anchors, aliases, merges and tags are not accepted", "write the value out")
		return
	case *ast.NullNode:
		return
	}
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			v.Set(reflect.New(v.Type().Elem()))
		}
		d.decode(field, n, v.Elem(), depth)
		return
	}
	if x, ok := v.Addr().Interface().(dated); ok {
		list, plain := x.written()
		into := reflect.ValueOf(plain).Elem()
		if seq, ok := n.(*ast.SequenceNode); ok && (into.Kind() != reflect.Slice || len(seq.Values) > 0 && isSection(seq.Values[0])) {
			into = reflect.ValueOf(list).Elem()
		}
		d.decode(field, n, into, depth)
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		d.decodeStruct(field, n, v, depth)
	case reflect.Map:
		d.decodeMap(field, n, v, depth)
	case reflect.Slice:
		seq, ok := n.(*ast.SequenceNode)
		if !ok {
			d.fault(tk, field, "a list is expected here", "start each entry with '- '")
			return
		}
		out := reflect.MakeSlice(v.Type(), len(seq.Values), len(seq.Values))
		for i, e := range seq.Values {
			d.decode(fmt.Sprintf("%s[%d]", field, i), e, out.Index(i), depth+1)
		}
		v.Set(out)
	default:
		d.decodeScalar(field, n, v)
	}
}

func entries(n ast.Node) ([]*ast.MappingValueNode, bool) {
	switch m := n.(type) {
	case *ast.MappingNode:
		return m.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{m}, true
	}
	return nil, false
}

func isSection(n ast.Node) bool { _, ok := entries(n); return ok }

func keyText(k ast.MapKeyNode) string {
	if s, ok := k.(*ast.StringNode); ok {
		return s.Value
	}
	if tk := k.GetToken(); tk != nil {
		return tk.Value
	}
	return ""
}

func join(field, key string) string {
	if field == "" {
		return key
	}
	return field + "." + key
}

// pairs hands on the entries of a section; what names its keys for a reader.
func (d *decoder) pairs(field string, n ast.Node, what words.Text, f func(key, at string, e *ast.MappingValueNode)) {
	es, ok := entries(n)
	if !ok {
		d.fault(n.GetToken(), field, words.Say("a section of '%s: value' lines is expected here", what), "")
		return
	}
	seen := map[string]bool{}
	for _, e := range es {
		key, tk := keyText(e.Key), e.Key.GetToken()
		at := join(field, key)
		if seen[key] {
			d.fault(tk, at, words.Say("the %s is there twice", what), "keep one")
			continue
		}
		seen[key] = true
		if p, ok := placeOf(tk); ok {
			d.doc.places[at] = p
		}
		f(key, at, e)
	}
}

func (d *decoder) decodeStruct(field string, n ast.Node, v reflect.Value, depth int) {
	known := map[string][]int{}
	var names []string
	for _, f := range reflect.VisibleFields(v.Type()) {
		if name := f.Tag.Get("yaml"); name != "" && name != "-" {
			known[name], names = f.Index, append(names, name)
		}
	}
	if field == "" {
		names = append(names, slices.Sorted(maps.Keys(d.sections))...)
	}
	d.pairs(field, n, "key", func(key, at string, e *ast.MappingValueNode) {
		section, declared := d.sections[key]
		switch {
		case !slices.Contains(names, key):
			d.fault(e.Key.GetToken(), at, "unknown key", DidYouMean(Nearest(key, names), "%q", words.Say("known keys: %s", strings.Join(names, ", "))))
		case known[key] != nil:
			d.decode(at, e.Value, v.FieldByIndex(known[key]), depth+1)
		case declared && section != nil:
			d.decode(at, e.Value, reflect.ValueOf(section).Elem(), depth+1)
		}
	})
}

func (d *decoder) decodeMap(field string, n ast.Node, v reflect.Value, depth int) {
	out := reflect.MakeMap(v.Type())
	d.pairs(field, n, "name", func(key, at string, e *ast.MappingValueNode) {
		val := reflect.New(v.Type().Elem()).Elem()
		d.decode(at, e.Value, val, depth+1)
		out.SetMapIndex(reflect.ValueOf(key), val)
	})
	v.Set(out)
}

func (d *decoder) decodeScalar(field string, n ast.Node, v reflect.Value) {
	tk := n.GetToken()
	var text string
	isString := false
	switch s := n.(type) {
	case *ast.StringNode:
		text, isString = s.Value, true
	case *ast.LiteralNode:
		text, isString = s.Value.Value, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		text = strings.TrimSpace(tk.Value)
	default:
		d.fault(tk, field, "a single value is expected here", "")
		return
	}
	switch {
	case v.Type() == durationType:
		dur, err := ParseDuration(text)
		if err != nil {
			d.fault(tk, field, words.Say("%q is not a duration", text), "write for example 30s, 10m, 2h or 3d")
			return
		}
		v.SetInt(int64(dur))
	case v.Kind() == reflect.String:
		v.SetString(text)
	case v.Kind() == reflect.Bool:
		switch text {
		case "true", "false":
			v.SetBool(text == "true")
		default:
			d.fault(tk, field, words.Say("%q is neither true nor false", text), "")
		}
	case v.CanInt():
		i, err := strconv.ParseInt(strings.ReplaceAll(text, "_", ""), 0, 64)
		if err != nil || isString || v.OverflowInt(i) {
			d.fault(tk, field, words.Say("%q is not a whole number", text), "")
			return
		}
		v.SetInt(i)
	case v.CanFloat():
		x, err := strconv.ParseFloat(strings.ReplaceAll(text, "_", ""), 64)
		if err != nil || isString || math.IsNaN(x) || math.IsInf(x, 0) {
			fix := words.Text("write a plain number; units have keys of their own")
			point := strings.Replace(text, ",", ".", 1)
			if _, err := strconv.ParseFloat(point, 64); err == nil && point != text {
				fix = words.Say("write it with a point: %s", point)
			}
			d.fault(tk, field, words.Say("%q is not a number", text), fix)
			return
		}
		v.SetFloat(x)
	default:
		d.fault(tk, field, "this value cannot be read", "")
	}
}

// ParseDuration reads a Go duration such as "90s" or "1h30m", and also days:
// "3d". Negative durations are refused.
func ParseDuration(s string) (time.Duration, error) {
	s = strings.TrimSpace(s)
	if s == "0" {
		return 0, nil
	}
	if days, ok := strings.CutSuffix(s, "d"); ok {
		x, err := strconv.ParseFloat(days, 64)
		if err != nil || !(x >= 0) || x > 36500 {
			return 0, fmt.Errorf("parse duration %q: not a number of days from 0 to 36500", s)
		}
		return time.Duration(x * 24 * float64(time.Hour)), nil
	}
	dur, err := time.ParseDuration(s)
	if err == nil && dur < 0 {
		err = errors.New("negative")
	}
	if err != nil {
		return 0, fmt.Errorf("parse duration %q: %w", s, err)
	}
	return dur, nil
}

// ShortDuration writes a duration as people do: 10m, not 10m0s.
func ShortDuration(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// Nearest returns the candidate closest to word if it is close enough to be
// a likely slip of the finger, else "".
func Nearest(word string, candidates []string) string {
	best, bestDist := "", 1+len(word)/3
	for _, c := range candidates {
		if d := editDistance(word, c); d < bestDist || d == bestDist && best == "" {
			best, bestDist = c, d
		}
	}
	return best
}

// DidYouMean is the fix for a mistyped word: the nearest one, in a form such as %q, or
// else another fix.
func DidYouMean(near, form string, otherwise words.Text) words.Text {
	if near != "" {
		return words.Say("did you mean %s?", fmt.Sprintf(form, near))
	}
	return otherwise
}

func editDistance(a, b string) int {
	prev := make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(a); i++ {
		cur := make([]int, len(b)+1)
		cur[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			cur[j] = min(prev[j]+1, cur[j-1]+1, prev[j-1]+cost)
		}
		prev = cur
	}
	return prev[len(b)]
}
