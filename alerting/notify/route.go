package notify

import (
	"slices"
	"strings"
	"time"

	"calandria/plant"
)

// Route says which alarms go to a notifier, and when. The zero value takes
// everything from high priority up, at all hours.
type Route struct {
	Least     plant.Priority // least urgent priority that is sent; default high
	Equipment []string       // paths; their parts too; empty: all
	Areas     []string       // operating positions; empty: all
	Hours     []Hours        // empty: always
	Zone      *time.Location // of Hours; nil: UTC
}

// Takes reports whether an alarm goes this way at all.
func (r *Route) Takes(p plant.Priority, source, area string) bool {
	if p == plant.PriorityNone || p > r.Least {
		return false
	}
	if len(r.Areas) > 0 && !slices.Contains(r.Areas, area) {
		return false
	}
	if len(r.Equipment) == 0 {
		return true
	}
	return slices.ContainsFunc(r.Equipment, func(path string) bool {
		rest, under := strings.CutPrefix(source, path)
		return under && (rest == "" || rest[0] == '.')
	})
}

// Open reports whether a moment lies within the hours.
func (r *Route) Open(at time.Time) bool {
	zone := r.Zone
	if zone == nil {
		zone = time.UTC
	}
	at = at.In(zone)
	return len(r.Hours) == 0 || slices.ContainsFunc(r.Hours, func(h Hours) bool { return h.Holds(at) })
}
