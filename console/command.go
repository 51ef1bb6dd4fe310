package console

import (
	"context"
	"errors"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"calandria/alerting"
)

// commandTimeout bounds how long an operator waits for the loop's answer.
const commandTimeout = 5 * time.Second

// shelveTimes are the lengths offered for shelving.
var shelveTimes = []struct {
	Key, Text string
	Length    time.Duration
}{
	{"10m", "10 min", 10 * time.Minute},
	{"30m", "30 min", 30 * time.Minute},
	{"1h", "1 h", time.Hour},
	{"2h", "2 h", 2 * time.Hour},
	{"4h", "4 h", 4 * time.Hour},
	{"8h", "8 h", 8 * time.Hour},
}

// refusals says in words why a command was refused.
var refusals = map[string]string{
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

// done are the messages after a command that was carried out.
var done = map[string]string{
	"acknowledge": "Acknowledged.",
	"confirm":     "Confirmed.",
	"reset":       "Reset.",
	"shelve":      "Shelved.",
	"unshelve":    "Taken off the shelf.",
	"comment":     "Comment recorded.",
	"remove":      "Taken out of service. It stays out until it is placed in service again.",
	"place":       "Placed in service again.",
	"cleaning":    "The cleaning is recorded. The trend of the body begins anew.",
	"note":        "The note is recorded.",
	"reference":   "Recorded: the strike to compare with was changed.",
	"laboratory":  "Recorded: the balance of the strike was made anew.",
}

// command carries out an operator's action on one alarm and goes back to the
// page it came from.
func (s *Server) command(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	c := alerting.Command{Alarm: r.PathValue("name"), Station: station(r)}
	if a := actorOf(r); a != nil {
		c.Authorised = a.Role.may(toServe)
	}
	if _, ok := s.status(c.Alarm); !ok {
		s.fail(w, r, http.StatusNotFound, "There is no such alarm.")
		return
	}
	f := r.PostForm
	var err error
	if c.User, err = cleanText("Name", f.Get("name"), maxName); err != nil {
		s.answer(w, r, err)
		return
	}
	if c.User == "" {
		c.User = nameOf(r)
	}
	if c.Comment, err = cleanText("Comment", f.Get("comment"), maxText); err == nil {
		c.Reason, err = cleanText("Reason", f.Get("reason"), maxText)
	}
	if err != nil {
		s.answer(w, r, err)
		return
	}
	if v := f.Get("occurrence"); v != "" {
		if c.Occurrence, err = strconv.ParseUint(v, 10, 64); err != nil {
			s.fail(w, r, http.StatusBadRequest, "The occurrence is not a number.")
			return
		}
	}
	action := r.PathValue("action")
	problem := ""
	switch action {
	case "acknowledge":
		c.Action = alerting.Acknowledge
		if c.Occurrence == 0 {
			problem = "The page does not say which occurrence is meant."
		}
	case "confirm":
		c.Action = alerting.Confirm
	case "reset":
		c.Action = alerting.Reset
	case "unshelve":
		c.Action = alerting.Unshelve
	case "comment":
		c.Action = alerting.Comment
		if c.Comment == "" {
			problem = "Write the comment first."
		}
	case "remove", "place":
		// Its own field: the one of shelving stands beside it in the form.
		if c.Reason, err = cleanText("Reason", f.Get("why"), maxText); err != nil {
			s.answer(w, r, err)
			return
		}
		c.Action = alerting.RemoveFromService
		if action == "place" {
			c.Action = alerting.PlaceInService
		}
		if c.Reason == "" {
			problem = "Give a reason; it is written to the record."
		}
	case "shelve":
		c.Action = alerting.TimedShelve
		if f.Get("time") == "once" {
			c.Action = alerting.OneShotShelve
		} else {
			for _, t := range shelveTimes {
				if t.Key == f.Get("time") {
					c.Duration = t.Length
				}
			}
			if c.Duration == 0 {
				problem = "Choose for how long."
			}
		}
		if c.Reason == "" {
			problem = "Give a reason for shelving; it is written to the record."
		}
	default:
		s.fail(w, r, http.StatusNotFound, "There is no such action.")
		return
	}
	if c.User == "" {
		problem = "Say who you are first: the record needs a name."
	}
	if problem != "" {
		s.refused(w, r, http.StatusUnprocessableEntity, problem)
		return
	}
	s.keep(w, r, nameCookie, c.User, nameKept)
	ctx, cancel := context.WithTimeout(r.Context(), commandTimeout)
	defer cancel()
	if err := s.b.Do(ctx, c); err != nil {
		if no, ok := errors.AsType[*alerting.Refusal](err); ok {
			text := refusals[no.Code]
			if text == "" {
				text = "The alarm does not allow it now."
			}
			s.refused(w, r, http.StatusConflict, "Not done. "+text)
			return
		}
		s.answer(w, r, err)
		return
	}
	back := "/alarms/" + escapeSegment(c.Alarm)
	if f.Get("from") == "list" {
		back = "/alarms"
	}
	http.Redirect(w, r, back+"?done="+action, http.StatusSeeOther)
}

// commandMany acknowledges the alarms chosen on the list, each in the occurrence
// that the person saw. Those that cannot be are named by their number; the
// others are done.
func (s *Server) commandMany(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	f := r.PostForm
	c := alerting.Command{Action: alerting.Acknowledge, Station: station(r)}
	var err error
	if c.User, err = cleanText("Name", f.Get("name"), maxName); err == nil {
		c.Comment, err = cleanText("Comment", f.Get("comment"), maxText)
	}
	if err != nil {
		s.answer(w, r, err)
		return
	}
	if c.User == "" {
		c.User = nameOf(r)
	}
	seen := map[alerting.Target]bool{}
	for _, key := range f["choose"] {
		// The occurrence stands after the last #: a name may have one too.
		i := strings.LastIndexByte(key, '#')
		n, err := strconv.ParseUint(key[i+1:], 10, 64)
		if i < 0 || err != nil || n == 0 {
			s.fail(w, r, http.StatusBadRequest, "The choice does not name an alarm and its occurrence.")
			return
		}
		t := alerting.Target{Alarm: key[:i], Occurrence: n}
		if _, ok := s.status(t.Alarm); !ok {
			s.fail(w, r, http.StatusNotFound, "There is no such alarm.")
			return
		}
		if !seen[t] {
			seen[t] = true
			c.Many = append(c.Many, t)
		}
	}
	problem := ""
	switch {
	case len(c.Many) == 0:
		problem = "Choose the alarms first: mark the boxes at the right."
	case c.User == "":
		problem = "Say who you are first: the record needs a name."
	}
	if problem != "" {
		s.render(w, r, http.StatusUnprocessableEntity, problem, s.alarmsPage)
		return
	}
	s.keep(w, r, nameCookie, c.User, nameKept)
	ctx, cancel := context.WithTimeout(r.Context(), commandTimeout)
	defer cancel()
	if err := s.b.Do(ctx, c); err != nil {
		if _, ok := errors.AsType[*alerting.Refusal](err); !ok {
			s.answer(w, r, err)
			return
		}
		s.render(w, r, http.StatusConflict, "Not all were acknowledged: some have come again since this page was made, or somebody was quicker. Look at those still waiting.", s.alarmsPage)
		return
	}
	http.Redirect(w, r, "/alarms?done=acknowledge", http.StatusSeeOther)
}

// refused shows the alarm's page again with the problem on top.
func (s *Server) refused(w http.ResponseWriter, r *http.Request, code int, problem string) {
	s.render(w, r, code, problem, s.alarmPage)
}

// station is where a command came from, for the record.
func station(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		host = r.RemoteAddr
	}
	if via := r.Header.Get("X-Forwarded-For"); via != "" && loopback(host) {
		via, _, _ = strings.Cut(via, ",")
		if ip := net.ParseIP(strings.TrimSpace(via)); ip != nil {
			return ip.String() + " by proxy"
		}
	}
	return host
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
