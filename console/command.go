package console

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
)

// commandTimeout bounds how long an operator waits for the loop's answer.
const commandTimeout = 5 * time.Second

// shelveTimes are the lengths offered for shelving.
var shelveTimes = []choice{
	{"10m", "10 min", 10 * time.Minute},
	{"30m", "30 min", 30 * time.Minute},
	{"1h", "1 h", time.Hour},
	{"2h", "2 h", 2 * time.Hour},
	{"4h", "4 h", 4 * time.Hour},
	{"8h", "8 h", 8 * time.Hour},
}

// refusals says in words why a command was refused.
var refusals = map[string]words.Text{
	alerting.BadAlreadyAcked:     "It is acknowledged already.",
	alerting.BadAlreadyConfirmed: "There is nothing to confirm.",
	alerting.BadEventIDUnknown:   "The alarm has come again since this page was made. Look at the new occurrence, then acknowledge it.",
	alerting.BadInvalidState:     "The alarm is not in a state that allows it.",
	alerting.BadAlreadyShelved:   "It is shelved already; the time is not extended.",
	alerting.BadNotShelved:       "It is not shelved.",
	alerting.BadShelvingTime:     "The time is longer than this alarm may be shelved.",
	alerting.BadUserAccessDenied: "This alarm may not be shelved from here.",
	alerting.BadNodeIDUnknown:    "There is no such alarm any more.",
	alerting.BadInvalidArgument:  "Something is missing: see what the form asks for.",
}

// refusedAs says what was asked for and why it was not done, of an entry of the journal.
func refusedAs(e *plant.Event) words.Text {
	asked := words.Verbatim(e.Action)
	for _, v := range verbs {
		if string(v.action) == e.Action || v.action == alerting.TimedShelve && e.Action == string(alerting.OneShotShelve) {
			asked = v.name
		}
	}
	return words.Say("%s: %s", asked, cmp.Or(refusals[e.Code], words.Verbatim(e.Code)))
}

func notDone(no *alerting.Refusal) words.Text {
	return words.Say("Not done. %s", cmp.Or(refusals[no.Code], "The alarm does not allow it now."))
}

// verb is one action on an alarm: what it asks of the form, and who may.
type verb struct {
	key    string
	name   words.Text
	action alerting.Action
	right  right
	reason string // field of the form with the reason, "" if there is none
	needs  []need
	done   words.Text // said once it is done
}

// need is something that the form must give, and what is said if it does not.
type need struct {
	field   string // of the form, where the problem is shown
	missing func(c *alerting.Command) bool
	problem words.Text
}

var (
	needsReason = need{"reason", func(c *alerting.Command) bool { return c.Reason == "" }, "Give a reason; it is written to the record."}
	needsTime   = need{"time", func(c *alerting.Command) bool { return c.Action == alerting.TimedShelve && c.Duration == 0 }, "Choose for how long."}
	needsText   = need{"comment", func(c *alerting.Command) bool { return c.Comment == "" }, "Write the comment first."}
	needsWhich  = need{"", func(c *alerting.Command) bool { return c.Occurrence == 0 }, "The page does not say which occurrence is meant."}
	needsName   = need{"name", func(c *alerting.Command) bool { return c.User == "" }, "Say who you are first: the record needs a name."}
)

// verbs are all the actions on an alarm.
var verbs = []verb{
	{"acknowledge", "Acknowledge", alerting.Acknowledge, toAct, "", []need{needsWhich}, "Acknowledged."},
	{"confirm", "Confirm", alerting.Confirm, toAct, "", nil, "Confirmed."},
	{"reset", "Reset", alerting.Reset, toAct, "", nil, "Reset."},
	{"comment", "Comment only", alerting.Comment, toAct, "", []need{needsText}, "Comment recorded."},
	{"shelve", "Shelve", alerting.TimedShelve, toAct, "reason", []need{needsReason, needsTime}, "Shelved."},
	{"unshelve", "Take off the shelf", alerting.Unshelve, toAct, "", nil, "Taken off the shelf."},
	{"remove", "Take out of service", alerting.RemoveFromService, toServe, "why", []need{needsReason},
		"Taken out of service. It stays out until it is placed in service again."},
	{"place", "Place in service", alerting.PlaceInService, toServe, "why", []need{needsReason}, "Placed in service again."},
}

// verbOf finds an action by the last part of its address.
func verbOf(key string) (verb, bool) {
	i := slices.IndexFunc(verbs, func(v verb) bool { return v.key == key })
	if i < 0 {
		return verb{right: toAct}, false
	}
	return verbs[i], true
}

// recorded are the messages after something else was put on record.
var recorded = map[string]words.Text{
	"task":          "Recorded: the task is done.",
	"handed":        "The task is on record. It stands on each shift's report until it is done.",
	"correction":    "The correction is on record. What depends on it is calculated again.",
	"withdrawn":     "The correction is taken back. What depends on it is calculated again.",
	"recalculation": "The past is calculated again beside the running program; the job below says how far it is.",
	"cancelled":     "The job is cancelled. The values of before stay in force.",
	"cleaning":      "The cleaning is recorded. The trend of the body starts again.",
	"planned":       "It is on record what is planned. It ends by itself.",
	"note":          "The note is recorded.",
	"reference":     "Recorded: the strike to compare with was changed.",
	"setup":         "The plant file is written.",
	"laboratory":    "Recorded: the balance of the strike is worked out again.",
}

// doneText is what a page says after it was come back to.
func doneText(q url.Values) words.Text {
	v, ok := verbOf(q.Get("done"))
	switch {
	case !ok:
		return recorded[q.Get("done")]
	case q.Has("waits"):
		return v.done + " It is not yet on record: the journal cannot be written. It waits in memory, and is lost if the program stops."
	}
	return v.done
}

// readCommand reads what every action has: who, from where, and the comment.
func readCommand(r *http.Request) (alerting.Command, error) {
	f := r.PostForm
	c := alerting.Command{Station: station(r)}
	if a := actorOf(r); a != nil {
		c.Authorised = a.Role.may(toServe)
	}
	var err error
	if c.User, err = cleanText("Name", f.Get("name"), maxName); err == nil {
		c.User = cmp.Or(c.User, nameOf(r))
		c.Comment, err = cleanText("Comment", f.Get("comment"), maxText)
	}
	return c, err
}

// command carries out an operator's action on one alarm and goes back to the
// page it came from.
func (s *Server) command(w http.ResponseWriter, r *http.Request) error {
	name, f := r.PathValue("name"), r.PostForm
	if _, ok := s.status(name); !ok {
		return notFound("There is no such alarm.")
	}
	v, ok := verbOf(r.PathValue("action"))
	if !ok {
		return notFound("There is no such action.")
	}
	c, err := readCommand(r)
	if err == nil && v.reason != "" {
		c.Reason, err = cleanText("Reason", f.Get(v.reason), maxText)
	}
	if n := f.Get("occurrence"); n != "" && err == nil {
		if c.Occurrence, err = strconv.ParseUint(n, 10, 64); err != nil {
			err = badQuery("The occurrence is not a number.")
		}
	}
	if err != nil {
		return err
	}
	c.Alarm, c.Action = name, v.action
	if v.action == alerting.TimedShelve {
		if c.Duration, _ = lengthOf(shelveTimes, f.Get("time")); f.Get("time") == "once" {
			c.Action = alerting.OneShotShelve
		}
	}
	for _, n := range append([]need{needsName}, v.needs...) {
		if n.missing(&c) {
			field, page := n.field, s.alarmPage
			if field == "reason" {
				field = v.reason
			}
			if f.Get("from") == "list" { // the person stays where he was
				page = s.alarmsPage
			}
			return s.render(w, withField(r, field), http.StatusUnprocessableEntity, n.problem, page)
		}
	}
	back := "/alarms/" + escapeSegment(c.Alarm)
	if f.Get("from") == "list" {
		back = "/alarms"
	}
	return s.do(w, r, c, back+"?done="+v.key, func(no *alerting.Refusal) error {
		return s.render(w, r, http.StatusConflict, notDone(no), s.alarmPage)
	})
}

// do has the loop carry out a command, and goes on to then.
func (s *Server) do(w http.ResponseWriter, r *http.Request, c alerting.Command, then string, refused func(*alerting.Refusal) error) error {
	s.keep(w, r, nameCookie, c.User, nameKept)
	ctx, cancel := context.WithTimeout(r.Context(), commandTimeout)
	defer cancel()
	err := s.b.Do(ctx, c)
	if no, ok := errors.AsType[*alerting.Refusal](err); ok {
		return refused(no)
	}
	if errors.Is(err, engine.ErrNotOnRecord) {
		then, err = then+"&waits=1", nil
	}
	if err != nil {
		return err
	}
	return seeOther(w, r, then)
}

// commandMany acknowledges the alarms chosen on the list, each in the occurrence
// that the person saw. Those that cannot be are named by their number; the
// others are done.
func (s *Server) commandMany(w http.ResponseWriter, r *http.Request) error {
	c, err := readCommand(r)
	if err != nil {
		return err
	}
	c.Action = alerting.Acknowledge
	seen := map[alerting.Target]bool{}
	for _, key := range r.PostForm["choose"] {
		// The occurrence stands after the last #: a name may have one too.
		i := strings.LastIndexByte(key, '#')
		n, err := strconv.ParseUint(key[i+1:], 10, 64)
		if i < 0 || err != nil || n == 0 {
			return &failed{http.StatusBadRequest, "The choice does not name an alarm and its occurrence."}
		}
		t := alerting.Target{Alarm: key[:i], Occurrence: n}
		if _, ok := s.status(t.Alarm); !ok {
			return notFound("There is no such alarm.")
		}
		if !seen[t] {
			seen[t] = true
			c.Many = append(c.Many, t)
		}
	}
	var problem words.Text
	switch {
	case len(c.Many) == 0:
		problem = "Choose the alarms first: mark the boxes at the right."
	case c.User == "":
		problem = needsName.problem
	}
	if problem != "" {
		if c.User == "" {
			r = withField(r, needsName.field)
		}
		return s.render(w, r, http.StatusUnprocessableEntity, problem, s.alarmsPage)
	}
	return s.do(w, r, c, "/alarms?done=acknowledge", func(*alerting.Refusal) error {
		return s.render(w, r, http.StatusConflict, "Not all were acknowledged: some have come again since this page was made, or somebody was quicker. "+
			"Look at the alarms that still wait.", s.alarmsPage)
	})
}

// fieldKey is the key of the field at fault in a request's context.
type fieldKey struct{}

// withField says at which field of the form the problem stands.
func withField(r *http.Request, field string) *http.Request {
	return r.WithContext(context.WithValue(r.Context(), fieldKey{}, field))
}

// alarmOfAction shows the alarm to whoever opens the address of an action.
func (s *Server) alarmOfAction(w http.ResponseWriter, r *http.Request) error {
	if _, ok := verbOf(r.PathValue("action")); !ok {
		return notFound("There is no such page.")
	}
	return seeOther(w, r, "/alarms/"+escapeSegment(r.PathValue("name")))
}

// nextAlarm goes to the next alarm that waits for somebody, or to the list if none does.
func (s *Server) nextAlarm(w http.ResponseWriter, r *http.Request) error {
	then := "/alarms"
	if p := s.b.Picture(); p != nil {
		rows := slices.DeleteFunc(s.lists(p, time.Now()).Active, func(a alarmRow) bool { return !a.Unack })
		if len(rows) > 0 {
			after := r.URL.Query().Get("after")
			i := slices.IndexFunc(rows, func(a alarmRow) bool { return a.Name == after })
			then = rows[(i+1)%len(rows)].Href
		}
	}
	return seeOther(w, r, then)
}

func (s *Server) status(name string) (*alerting.Status, bool) {
	p := s.b.Picture()
	if p == nil {
		return nil, false
	}
	for i := range p.Alarms {
		if p.Alarms[i].Name == name {
			return &p.Alarms[i], true
		}
	}
	return nil, false
}
