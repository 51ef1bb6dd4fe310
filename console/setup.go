package console

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"calandria/engine"
	"calandria/engine/setup"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
)

// The first plant file, from the console: equipment, then the signals of one vessel after
// the other, then what comes out. It writes a file beside the plant file, and never the
// plant. 'calandria init' does the same at a terminal.

// browseWait bounds how long the server is looked through.
const browseWait = 25 * time.Second

// draft is the house to be; one at a time.
type draft struct {
	mu      sync.Mutex
	h       *setup.House
	written string // the file that was written

	costs   []setup.Line // of this text of the file: a large house takes a while
	costsOf string
}

type setupData struct {
	Servers    []string
	Fields     []setupField
	Given      func(key string) string
	Vessels    []indexEntry
	Vessel, As words.Text // as: its class
	N, Nodes   int
	Slots      []slotView
	Ladder     drawing
	Outcomes   []outcomeRow
	Lacks      []setup.Lack
	Costs      []setup.Line // of the want of instruments; asked for
	Fault      words.Text   // why nothing could be worked out
	File       string
	Fill       int // figures that a person has still to state
	Written    bool
}

// setupField is one field of the first form, with what may stand there.
type setupField struct {
	Key   string
	Text  words.Text
	Usual string
}

var setupFields = []setupField{
	{"site", "Name of the site", ""},
	{"altitude", "Altitude, m", "0"},
	{"zone", "Time zone", "America/Sao_Paulo"},
	{"effects", "Effects of the evaporator", "4"},
	{"bodies", "Bodies in each effect, if more than one", "1 1 2 1"},
	{"surfaces", "Heating surface of a body of each effect, m²", "2000 1500 1200 1200"},
	{"users", "Users of the vapour of each effect, beside the next body", "2 1 0 0"},
	{"condensers", "Condensers, that of the evaporator first", "CD1, CDA"},
	{"pans", "Vacuum pans", "PA1, PB1"},
	{"pan_surfaces", "Heating surface of each pan, m²", "250 180"},
}

type slotView struct {
	K               int
	Signal, Meaning words.Text
	Find            string
	Options         []choiceOf
}

// choiceOf is a variable of the server that a signal may be read from.
type choiceOf struct {
	Node   int
	Text   words.Text
	Chosen bool
}

type outcomeRow struct {
	Path               string
	Value, Sigma, Unit words.Text
}

// setupTarget is the file to be written: the plant file where there is none, else one
// beside it. "" where the program does not know its plant file.
func (s *Server) setupTarget() string {
	doc := s.b.House().Document
	if doc == nil || doc.File == "" || s.opt.Browse == nil {
		return ""
	}
	if _, err := os.Stat(doc.File); errors.Is(err, os.ErrNotExist) || s.draft.written == doc.File {
		return doc.File
	}
	return filepath.Join(filepath.Dir(doc.File), "plant.new.yaml")
}

func (s *Server) setupPage(r *http.Request, _ *engine.Picture, _ time.Time) (*view, error) {
	q := r.URL.Query()
	s.draft.mu.Lock()
	defer s.draft.mu.Unlock()
	d := setupData{Fields: setupFields, File: s.setupTarget(), Given: r.PostForm.Get}
	for _, x := range s.b.House().Config.OPCUA.Servers {
		d.Servers = append(d.Servers, x.Name)
	}
	h := s.draft.h
	if h == nil || r.Method != http.MethodGet {
		return &view{Template: "setup.html", Title: "First plant file", Section: "setup", Data: d}, nil
	}
	d.Nodes = len(h.Nodes)
	_, err := os.Stat(d.File)
	d.Written = err == nil
	for i, x := range h.Vessels {
		e := indexEntry{Text: vesselName(x), Title: classWord(x.Class), Href: fmt.Sprintf("/setup?vessel=%d", i), Now: q.Get("vessel") == fmt.Sprint(i)}
		for k := range h.Slots {
			if h.Slots[k].Vessel == i && h.Slots[k].Chosen != nil {
				e.N++
			}
		}
		d.Vessels = append(d.Vessels, e)
	}
	rungs := setupRungs(h)
	d.Ladder = drawLadder("ladder-setup", rungs, s.units[kindTemperature])
	for i, x := range rungs { // no heads stand over this ladder
		at := round1(ladderAxis - 14 + (ladderW-ladderAxis)*(float64(i)+0.5)/float64(len(rungs)))
		d.Ladder.Captions = append(d.Ladder.Captions, caption{X: at, Y: ladderH - 6, Anchor: "middle", Class: "lt-note", Text: words.Verbatim(x.Name)})
	}
	if n, err := strconv.Atoi(q.Get("vessel")); err == nil && n >= 0 && n < len(h.Vessels) {
		d.Vessel, d.As, d.N = vesselName(h.Vessels[n]), classWord(h.Vessels[n].Class), n
		s.slots(h, n, q, &d)
	} else {
		s.outcome(h, &d)
		if q.Has("costs") {
			var fault words.Text
			d.Costs, fault = s.draft.costsNow(h, s.opt.Library, d.File)
			d.Fault = cmp.Or(fault, d.Fault)
		}
	}
	return &view{Template: "setup.html", Title: "First plant file", Section: "setup", Data: d}, nil
}

// costsNow is what each missing instrument costs, worked out once for a text of the file.
func (d *draft) costsNow(h *setup.House, library []rules.File, name string) ([]setup.Line, words.Text) {
	text := h.File()
	if d.costsOf != text {
		h.Library = library
		costs, err := h.Costs(name)
		if err != nil {
			return setup.Lines(costs), words.Of(err)
		}
		d.costs, d.costsOf = setup.Lines(costs), text
	}
	return d.costs, ""
}

func vesselName(v setup.Vessel) words.Text {
	if v.Class == plant.ClassSite {
		return classWord(v.Class)
	}
	return words.Verbatim(v.Path())
}

var referenceWords = map[plant.Reference]words.Text{plant.Gauge: "gauge", plant.Vacuum: "vacuum", plant.Absolute: "absolute"}

// slots are the signals of one vessel, each with the nodes that it may be read from.
func (s *Server) slots(h *setup.House, vessel int, q url.Values, d *setupData) {
	for k := range h.Slots {
		x := &h.Slots[k]
		if x.Vessel != vessel {
			continue
		}
		v := slotView{K: k, Signal: plant.Label(x.Signal.Name), Meaning: x.Signal.Meaning, Find: q.Get(fmt.Sprintf("find.%d", k))}
		list := h.Search(k, v.Find)
		list = list[:min(len(list), 12)]
		if c := x.Chosen; c != nil && !slices.ContainsFunc(list, func(o setup.Candidate) bool { return o.Node == c.Node }) {
			list = append([]setup.Candidate{*c}, list...)
		}
		for _, c := range list {
			n := &h.Nodes[c.Node]
			text := words.Verbatim(cmp.Or(n.Path, n.Name))
			if len(n.Range) == 2 {
				text += words.Verbatim(fmt.Sprintf(" [%g–%g %s]", n.Range[0], n.Range[1], n.Unit))
			}
			if !math.IsNaN(n.Value) {
				text += words.Verbatim(strings.TrimRight(fmt.Sprintf(": %.5g %s", n.Value, n.Unit), " "))
				if ref := referenceWords[c.Reference]; ref != "" {
					text = words.Say("%s %s", text, ref)
				}
			}
			if u := s.unitNamed("", x.Signal.Dimension.Canonical()); !math.IsNaN(c.Value) {
				text += " = " + valueUnit(specNumber(u.of(c.Value)), u.text)
			}
			v.Options = append(v.Options, choiceOf{c.Node, text, x.Chosen != nil && x.Chosen.Node == c.Node})
		}
		d.Slots = append(d.Slots, v)
	}
}

// setupRungs are the bars that the chosen pressures give.
func setupRungs(h *setup.House) (rs []rung) {
	last := math.NaN()
	for _, x := range h.Rungs() {
		if x.Of == "vapour" {
			_, name, body := strings.Cut(x.Vessel, ".")
			if !body {
				continue // a pan
			}
			rs = append(rs, rung{Name: name, Effect: x.Effect, Chest: last, Vapour: x.TempC, Boiling: math.NaN(), Ratio: math.NaN()})
		}
		last = x.TempC
	}
	return rs
}

// outcome is what the chosen signals give: quantities, and what is lacking.
func (s *Server) outcome(h *setup.House, d *setupData) {
	out, lacks, err := h.Worth(d.File)
	if err != nil {
		d.Fault = words.Of(err)
	}
	for _, o := range out {
		u := s.unitNamed("", o.Unit)
		row := outcomeRow{o.Path, specNumber(u.of(o.Value)), "", u.text}
		if o.Sigma > 0 {
			row.Sigma = "± " + sigmaText(2*o.Sigma*math.Abs(u.scale))
		}
		d.Outcomes = append(d.Outcomes, row)
	}
	d.Lacks, d.Fill = lacks, strings.Count(h.File(), "FILL IN")-1 // the heading names the word too
}

// beginSetup takes the equipment and looks through the server.
func (s *Server) beginSetup(w http.ResponseWriter, r *http.Request) error {
	h, field, problem := s.equipment(r.PostForm.Get)
	if problem == "" && s.opt.Browse == nil {
		return notFound("This program cannot look through a server. Use 'calandria init' at a terminal.")
	}
	if problem == "" {
		ctx, cancel := context.WithTimeout(r.Context(), browseWait)
		defer cancel()
		nodes, err := s.opt.Browse(ctx, &h.Server, r.PostForm.Get("password"))
		switch {
		case ctx.Err() != nil:
			field, problem = "server", "The server took too long. Run 'calandria init' at a terminal."
		case err != nil:
			field, problem = "server", words.Of(err)
		case len(nodes) == 0:
			field, problem = "server", "The server shows no variable that is a number and may be read: ask its administrator for the rights Browse and Read."
		}
		h.Nodes = nodes
	}
	if problem != "" {
		return s.render(w, withField(r, field), http.StatusUnprocessableEntity, problem, s.setupPage)
	}
	h.Begin()
	s.draft.mu.Lock()
	s.draft.h = h
	s.draft.mu.Unlock()
	return seeOther(w, r, "/setup?vessel=0")
}

// given reads figures of a form; the first that is none is kept as the problem.
type given struct {
	text    func(string) string
	field   string
	problem words.Text
}

func (g *given) wrong(field string, problem words.Text) {
	if g.problem == "" {
		g.field, g.problem = field, problem
	}
}

// number gives the nth of the figures in a field, the last one for those after it; 0 for none.
func (g *given) number(field string, nth int, low, high float64) float64 {
	parts := strings.FieldsFunc(g.text(field), func(r rune) bool { return r == ' ' || r == ';' })
	if len(parts) == 0 {
		return 0
	}
	text := parts[min(nth, len(parts)-1)]
	v, err := decimal(text)
	if err != nil || !(v >= low && v <= high) {
		g.wrong(field, words.Say("%s is no number from %g to %g.", text, low, high))
		return 0
	}
	return v
}

// equipment reads the first form.
func (s *Server) equipment(text func(string) string) (h *setup.House, field string, problem words.Text) {
	g := &given{text: text}
	h = &setup.House{Site: strings.TrimSpace(text("site")), TimeZone: cmp.Or(strings.TrimSpace(text("zone")), "UTC")}
	if h.Site == "" {
		g.wrong("site", "Give the site a name.")
	}
	h.BarometerKPa = setup.Barometer(g.number("altitude", 0, -400, 4000))
	if _, err := time.LoadLocation(h.TimeZone); err != nil {
		g.wrong("zone", words.Say("The time zone %s is not known.", h.TimeZone))
	}
	for e := range int(g.number("effects", 0, 0, 7)) {
		bodies := max(1, int(g.number("bodies", e, 1, 6)))
		for b := range bodies {
			h.AddBody(e+1, b, bodies, g.number("surfaces", e, 0, 20000), int(g.number("users", e, 0, 6)))
		}
	}
	for _, class := range []plant.Class{plant.ClassCondenser, plant.ClassPan} {
		field := string(class) + "s"
		names, wrong := setup.Names(text(field))
		if wrong != "" {
			g.wrong(field, words.Say("%s is no name, or stands there twice: use letters, digits and _.", wrong))
		}
		for i, name := range names {
			v := setup.Vessel{Class: class, Name: name}
			if class == plant.ClassPan {
				v.SurfaceM2 = g.number("pan_surfaces", i, 0, 2000)
			}
			h.Vessels = append(h.Vessels, v)
		}
	}
	if !slices.ContainsFunc(h.Vessels, func(v setup.Vessel) bool { return v.Class != plant.ClassCondenser }) {
		g.wrong("effects", "Say what there is: effects or pans.")
	}
	h.Server = plant.ServerConfig{Name: "plant", Endpoint: strings.TrimSpace(text("endpoint")), Policy: text("policy"), Mode: "SignAndEncrypt",
		Publish: time.Second, SessionTimeout: time.Minute}
	h.Server.User = strings.TrimSpace(text("user"))
	if h.Server.Policy == "None" {
		h.Server.Mode = "None"
	}
	for _, x := range s.b.House().Config.OPCUA.Servers {
		if x.Name == text("server") && h.Server.Endpoint == "" {
			h.Server = x
		}
	}
	if h.Server.User != "" && h.Server.PasswordFile == "" && text("password") == "" {
		g.wrong("user", "Give the password of this user.")
	}
	if !strings.HasPrefix(h.Server.Endpoint, "opc.tcp://") {
		g.wrong("server", "Give the address of the server, such as opc.tcp://10.0.0.5:4840.")
	}
	return h, g.field, g.problem
}

// chooseSignals takes the nodes of one vessel, and goes to the next.
func (s *Server) chooseSignals(w http.ResponseWriter, r *http.Request) error {
	s.draft.mu.Lock()
	defer s.draft.mu.Unlock()
	h := s.draft.h
	vessel, err := strconv.Atoi(r.PostForm.Get("vessel"))
	if h == nil || err != nil || vessel < 0 || vessel >= len(h.Vessels) {
		return seeOther(w, r, "/setup")
	}
	find := url.Values{}
	for k := range h.Slots {
		if h.Slots[k].Vessel != vessel {
			continue
		}
		if node, err := strconv.Atoi(r.PostForm.Get(fmt.Sprintf("node.%d", k))); err == nil {
			if h.Slots[k].Chosen = nil; node >= 0 && node < len(h.Nodes) {
				h.Choose(k, node)
			}
		}
		key := fmt.Sprintf("find.%d", k)
		word, err := cleanText("Word", r.PostForm.Get(key), 60)
		if err != nil {
			return err
		}
		if word != "" {
			find.Set(key, word)
		}
	}
	switch {
	case len(find) > 0 && r.PostForm.Has("look"):
		find.Set("vessel", strconv.Itoa(vessel))
		return seeOther(w, r, "/setup?"+find.Encode())
	case vessel+1 < len(h.Vessels):
		return seeOther(w, r, fmt.Sprintf("/setup?vessel=%d", vessel+1))
	}
	return seeOther(w, r, "/setup")
}

// writeSetup writes the file; one that is there is kept.
func (s *Server) writeSetup(w http.ResponseWriter, r *http.Request) error {
	s.draft.mu.Lock()
	defer s.draft.mu.Unlock()
	path := s.setupTarget()
	if s.draft.h == nil || path == "" {
		return seeOther(w, r, "/setup")
	}
	err := s.opt.WritePlant(path, s.draft.h.File())
	switch {
	case errors.Is(err, os.ErrExist):
		return &failed{http.StatusConflict, words.Say("%s is there already. Move it away on the machine of the program, then write again. Nothing was changed.", path)}
	case err != nil:
		s.log.Error("console: write the first plant file", "err", err)
		return &failed{http.StatusInternalServerError, words.Say("%s could not be written: the program needs the right to write into that folder. The log says more.", path)}
	}
	s.draft.written = path
	return seeOther(w, r, "/setup?done=setup")
}
