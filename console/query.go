package console

import (
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"calandria/plant"
	"calandria/plant/words"
)

// Bounds of what may be asked for.
const (
	maxSpan   = 800 * 24 * time.Hour
	maxTraces = 8
	maxEvents = 500
	maxText   = 500 // runes of a comment or reason
	maxName   = 60  // runes of a person's name
)

// choice is a length of time that a page offers.
type choice struct {
	Key    string
	Text   words.Text
	Length time.Duration
}

// lengthOf is the length of a choice; false: there is no such one.
func lengthOf(choices []choice, key string) (time.Duration, bool) {
	for _, c := range choices {
		if c.Key == key {
			return c.Length, true
		}
	}
	return 0, false
}

// spans are the lengths offered on the trends page.
var spans = []choice{
	{"10m", "10 min", 10 * time.Minute},
	{"1h", "1 h", time.Hour},
	{"4h", "4 h", 4 * time.Hour},
	{"8h", "8 h", 8 * time.Hour},
	{"1d", "1 day", 24 * time.Hour},
	{"3d", "3 days", 3 * 24 * time.Hour},
	{"7d", "7 days", 7 * 24 * time.Hour},
	{"14d", "14 days", 14 * 24 * time.Hour},
	{"30d", "30 days", 30 * 24 * time.Hour},
	{"60d", "60 days", 60 * 24 * time.Hour},
	{"180d", "180 days", 180 * 24 * time.Hour},
}

func badQuery(format words.Text, args ...any) error {
	return &failed{http.StatusBadRequest, words.Say(format, args...)}
}

// trendQuery is what the trends page asks for.
type trendQuery struct {
	timeSpan
	Tags []string
}

// parseTrend reads tag (repeated), and a span.
func parseTrend(q url.Values, zone *time.Location, now time.Time) (t trendQuery, err error) {
	for _, tag := range q["tag"] {
		tag = strings.TrimSpace(tag)
		if tag == "" || slices.Contains(t.Tags, tag) {
			continue
		}
		if len(tag) > 200 || !utf8.ValidString(tag) {
			return t, badQuery("tag: not the path of a tag.")
		}
		t.Tags = append(t.Tags, tag)
	}
	if len(t.Tags) > maxTraces {
		return t, badQuery("tag: at most %d at once.", maxTraces)
	}
	t.timeSpan, err = parseSpan(q, zone, now, 8*time.Hour)
	return t, err
}

// kindGroup is a choice of kinds of journal entry.
type kindGroup struct {
	Key   string
	Text  words.Text
	Kinds []plant.EventKind
}

// kindGroups are the choices of the record page.
var kindGroups = []kindGroup{
	{"", "alarms, actions and the program", nil},
	{"alarms", "alarms", []plant.EventKind{plant.EventAlarm, plant.EventReturn, plant.EventRealarm, plant.EventFirstUp}},
	{"actions", "people's actions", []plant.EventKind{plant.EventAck, plant.EventConfirm, plant.EventReset, plant.EventShelve, plant.EventUnshelve,
		plant.EventOutOfService, plant.EventInService, plant.EventComment, plant.EventNote, plant.EventTask, plant.EventDone, plant.EventCorrection, plant.EventRejected, plant.EventAccess}},
	{"logic", "suppression and quality", []plant.EventKind{plant.EventSuppress, plant.EventUnsuppress, plant.EventQuality}},
	{"program", "the program", []plant.EventKind{plant.EventStart, plant.EventStop, plant.EventSource, plant.EventRecord, plant.EventNotify, plant.EventConfig, plant.EventChange}},
}

// notable are the kinds that the record shows unless all are asked for: changes of
// quality and suppression by logic are many, and a person who looks for what happened
// on a shift does not look for them.
var notable = slices.Concat(kindGroups[1].Kinds, kindGroups[2].Kinds, kindGroups[4].Kinds)

// recordQuery is what the record page and /api/v1/events ask for.
type recordQuery struct {
	Group  string
	All    bool // also what is not notable
	Match  string
	Filter plant.EventFilter
}

// shown narrows an unfiltered list to what the record page shows.
func (r *recordQuery) shown() {
	if r.Group == "" && !r.All {
		r.Filter.Kinds = notable
	}
}

// query is the choice as the parameters of an address.
func (r *recordQuery) query() url.Values {
	v := url.Values{}
	if r.Group != "" {
		v.Set("kind", r.Group)
	}
	if r.All {
		v.Set("all", "yes")
	}
	if r.Match != "" {
		v.Set("match", r.Match)
	}
	return v
}

// recordHref is the address of the record page with some parameters.
func recordHref(v url.Values) string {
	if len(v) == 0 {
		return "/record"
	}
	return "/record?" + v.Encode()
}

// parseRecord reads kind, all, match, before, after, from, to and limit.
func parseRecord(q url.Values, zone *time.Location) (recordQuery, error) {
	r := recordQuery{Group: q.Get("kind"), Match: strings.TrimSpace(q.Get("match"))}
	switch v := q.Get("all"); v {
	case "", "no":
	case "yes":
		r.All = true
	default:
		return r, badQuery("all: use yes or no.")
	}
	i := slices.IndexFunc(kindGroups, func(g kindGroup) bool { return g.Key == r.Group })
	if i < 0 {
		return r, badQuery("kind: use alarms, actions, logic, program or nothing.")
	}
	r.Filter.Kinds = kindGroups[i].Kinds
	if len(r.Match) > 100 || !utf8.ValidString(r.Match) {
		return r, badQuery("match: at most 100 characters.")
	}
	r.Filter.Match = r.Match
	var err error
	for key, to := range map[string]*uint64{"before": &r.Filter.BeforeSeq, "after": &r.Filter.AfterSeq} {
		if v := q.Get(key); v != "" {
			if *to, err = strconv.ParseUint(v, 10, 63); err != nil {
				return r, badQuery("%s: give a journal number.", key)
			}
		}
	}
	for key, to := range map[string]*time.Time{"from": &r.Filter.From, "to": &r.Filter.To} {
		if *to, err = momentOf(q, key, zone, time.Now()); err != nil {
			return r, err
		}
	}
	r.Filter.Limit = 100
	if v := q.Get("limit"); v != "" {
		n, err := strconv.Atoi(v)
		if err != nil || n < 1 || n > maxEvents {
			return r, badQuery("limit: give a whole number from 1 to %d.", maxEvents)
		}
		r.Filter.Limit = n
	}
	return r, nil
}

// cleanText checks a line that a person typed: valid text, no control
// characters, not too long. Spaces at the ends go.
func cleanText(field words.Text, v string, limit int) (string, error) {
	v = strings.TrimSpace(v)
	if !utf8.ValidString(v) || utf8.RuneCountInString(v) > limit {
		return "", badQuery("%s: at most %d characters of plain text.", field, limit)
	}
	for _, r := range v {
		if unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t' {
			return "", badQuery("%s: plain text only.", field)
		}
	}
	return strings.Join(strings.Fields(v), " "), nil
}

// localPath accepts a path of this console as the place to go back to, and
// nothing that leads elsewhere.
func localPath(v string) string {
	if len(v) > 2000 || !strings.HasPrefix(v, "/") || strings.HasPrefix(v, "//") || strings.ContainsAny(v, "\\\r\n\t") {
		return "/"
	}
	u, err := url.Parse(v)
	if err != nil || u.Host != "" || u.Scheme != "" {
		return "/"
	}
	// Written anew, escapes may have been undone: look again.
	v = u.String()
	if parsed, err := url.Parse(v); err != nil || parsed.Host != "" || !strings.HasPrefix(v, "/") || strings.HasPrefix(v, "//") || strings.ContainsAny(v, "\\\r\n\t") {
		return "/"
	}
	return v
}

// decimal reads a number that a person typed, with a point or a comma.
func decimal(text string) (float64, error) {
	return strconv.ParseFloat(pointed(strings.TrimSpace(text)), 64)
}

// decimalComma is one between digits. A comma is never a mark of thousands.
var decimalComma = regexp.MustCompile(`([0-9]),([0-9])`)

// pointed has a decimal point where somebody typed a comma.
func pointed(text string) string { return decimalComma.ReplaceAllString(text, "$1.$2") }
