package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"calandria/alerting"
	"calandria/plant"
)

// Alertmanager tells what stands to an Alertmanager (API v2) and repeats it,
// because it forgets what is not repeated. Alarms that are shelved, suppressed
// or out of service do not stand.
//
// An alert carries an end an hour ahead, moved on with each repetition: if this
// program stops, its alarms stand for that hour. That the program has stopped
// is for Prometheus to notice.
type Alertmanager struct {
	Access
	Site Site

	posted map[string]alert // what it was told stands, by labels
	now    func() time.Time
}

const alertHold = time.Hour

// aliveHold is how long a sign of life stands: what hangs on it calls soon after.
const aliveHold = 5 * time.Minute

// NewAlertmanager completes an Alertmanager; URL is its base address, without
// /api.
func NewAlertmanager(a Alertmanager) *Alertmanager {
	a.prepare()
	a.URL = strings.TrimRight(a.URL, "/") + "/api/v2/alerts"
	a.posted, a.now = map[string]alert{}, time.Now
	return &a
}

// alert is a postableAlert of the API.
type alert struct {
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
	StartsAt    time.Time         `json:"startsAt"`
	EndsAt      time.Time         `json:"endsAt"`
}

// severities are the words that alerting rules commonly use (common practice,
// no source); the label priority has ours.
var severities = map[plant.Priority]string{
	plant.PriorityUrgent: "critical", plant.PriorityHigh: "error", plant.PriorityMedium: "warning", plant.PriorityLow: "info",
}

func (a *Alertmanager) alert(name, source, area string, p plant.Priority, spec *plant.AlarmSpec) alert {
	x := alert{Labels: a.Site.labels(source), Annotations: map[string]string{"advice": a.Site.say(advice)}}
	put := func(m map[string]string, k, v string) {
		if v != "" {
			m[k] = v
		}
	}
	put(x.Annotations, "journal_head", a.Site.head())
	put(x.Labels, "alertname", name)
	put(x.Labels, "site", a.Site.Name)
	put(x.Labels, "source", source)
	put(x.Labels, "area", area)
	put(x.Labels, "priority", p.String())
	put(x.Labels, "severity", severities[p])
	if spec != nil {
		put(x.Annotations, "title", oneLine(a.Site.said(spec, spec.Title)))
		put(x.Annotations, "cause", a.Site.said(spec, spec.Cause))
		put(x.Annotations, "consequence", a.Site.said(spec, spec.Consequence))
		put(x.Annotations, "response", a.Site.said(spec, spec.Response))
		put(x.Annotations, "hazard", a.Site.said(spec, spec.Hazard))
		put(x.Annotations, "procedure", spec.Procedure)
		put(x.Annotations, "time_to_respond", a.Site.say(respond(spec.Respond)))
	}
	return x
}

// id is the identity that an Alertmanager gives an alert: its labels.
func (x *alert) id() string {
	b, _ := json.Marshal(x.Labels) // keys are sorted
	return string(b)
}

// Send implements [Sender]. Of several notices of one alarm the last decides
// whether it stands.
func (a *Alertmanager) Send(ctx context.Context, batch []Notice) error {
	now := a.now()
	var order []string
	out := map[string]alert{}
	for i := range batch {
		e := &batch[i].Event
		var x alert
		switch e.Kind {
		case plant.EventAlarm, plant.EventRealarm:
			x = a.alert(e.Alarm, e.Source, e.Area, e.Priority, batch[i].Spec)
			x.StartsAt, x.EndsAt = e.Time, now.Add(alertHold)
			if old, ok := a.posted[x.id()]; ok {
				x.StartsAt = old.StartsAt
			}
		case plant.EventReturn:
			x = a.alert(e.Alarm, e.Source, e.Area, e.Priority, batch[i].Spec)
			x.StartsAt, x.EndsAt = e.Time, e.Time
			if old, ok := out[x.id()]; ok {
				x.StartsAt = old.StartsAt
			} else if old, ok := a.posted[x.id()]; ok {
				x.StartsAt = old.StartsAt
			}
		case plant.EventNotify: // a test
			name, hold := "CalandriaTest", time.Minute
			if e.Alarm == AliveName {
				name, hold = AliveName, aliveHold
			}
			x = a.alert(name, "calandria", "", e.Priority, nil)
			x.Annotations["title"] = oneLine(e.Text)
			x.StartsAt, x.EndsAt = now, now.Add(hold)
		default:
			continue
		}
		id := x.id()
		if _, ok := out[id]; !ok {
			order = append(order, id)
		}
		out[id] = x
	}
	var list []alert
	for _, id := range order {
		list = append(list, out[id])
	}
	return a.tell(ctx, list, now)
}

// Refresh implements [Refreshed]: it repeats what stands and ends what was told
// to stand and does so no longer.
func (a *Alertmanager) Refresh(ctx context.Context, alarms []alerting.Status) error {
	now := a.now()
	list := []alert{}
	standing := map[string]bool{}
	for i := range alarms {
		s := &alarms[i]
		if !s.Active || s.SuppressedOrShelved {
			continue
		}
		x := a.alert(s.Name, s.Spec.Source, s.Spec.Area, s.Spec.Priority, s.Spec)
		x.Annotations["state"] = s.Word
		x.StartsAt, x.EndsAt = s.ActiveSince, now.Add(alertHold)
		standing[x.id()] = true
		list = append(list, x)
	}
	for id, x := range a.posted {
		if !standing[id] && x.Labels["alertname"] != AliveName {
			x.EndsAt = now
			list = append(list, x)
		}
	}
	return a.tell(ctx, list, now)
}

// tell posts alerts and remembers what stands.
func (a *Alertmanager) tell(ctx context.Context, list []alert, now time.Time) error {
	if list == nil {
		return nil
	}
	text, err := json.Marshal(list)
	if err != nil {
		return &RefusedError{fmt.Errorf("write alerts: %w", err)}
	}
	if err := a.post(ctx, a.URL, text, nil); err != nil {
		return err
	}
	for i := range list {
		if id := list[i].id(); list[i].EndsAt.After(now) && list[i].Labels["alertname"] != "CalandriaTest" {
			a.posted[id] = list[i]
		} else {
			delete(a.posted, id)
		}
	}
	return nil
}
