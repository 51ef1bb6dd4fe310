package console

import (
	"errors"
	"net/http"
	"time"

	"calandria/alerting"
	"calandria/plant/words"
)

// linkData is what the page of a link shows: nothing of the plant but the alarm
// that the notice named already.
type linkData struct {
	Theme, Site, Title, Alarm, Who string
	Problem, Done                  words.Text
}

// linkPage asks before it acknowledges: programs that look at mails follow links
// too.
func (s *Server) linkPage(w http.ResponseWriter, r *http.Request) error {
	return s.showLink(w, r, false, func(linkData, uint64) (words.Text, error) { return "", nil })
}

func (s *Server) acknowledgeByLink(w http.ResponseWriter, r *http.Request) error {
	return s.showLink(w, r, true, func(d linkData, occurrence uint64) (words.Text, error) {
		return "The alarm is acknowledged.", s.b.Do(r.Context(), alerting.Command{Action: alerting.Acknowledge, Alarm: d.Alarm, Occurrence: occurrence,
			User: d.Who, Station: station(r), Comment: "by the link of a notice"})
	})
}

func (s *Server) showLink(w http.ResponseWriter, r *http.Request, use bool, act func(linkData, uint64) (words.Text, error)) error {
	if s.opt.Acknowledge == nil {
		return notFound("There is no such page.")
	}
	d := linkData{Theme: themeOf(r), Site: s.b.House().Config.Site.Name}
	code := http.StatusOK
	alarm, occurrence, who, err := s.opt.Acknowledge(r.PathValue("token"), time.Now(), use)
	if err == nil {
		d.Title, d.Alarm, d.Who = s.title(alarm).Title, alarm, who
		d.Done, err = act(d, occurrence)
	}
	if no, ok := errors.AsType[*alerting.Refusal](err); ok {
		code, d.Done, d.Problem = http.StatusConflict, "", notDone(no)
	} else if err != nil {
		code, d.Done = http.StatusGone, ""
		d.Problem = words.Say("%s. Nothing was changed. Sign in at the console to see the alarm.", words.Of(err))
	}
	return s.bare(w, r, code, "link.html", d)
}
