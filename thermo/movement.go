package thermo

import (
	"math"
	"time"

	"calandria/plant"
)

// movement watches whether an instrument still moves. A live reading changes
// in its last digits; one that used to and no longer does, while most of the
// others move, is frozen: plugged, held by a hold function, or not updated.
// Figures of ours.
type movement struct {
	value     float64
	changed   time.Time     // when it last did
	usual     time.Duration // mean time between changes
	changes   int
	rhythm    plant.Rhythm
	seen      bool
	peersMove bool
	frozen    bool
}

const (
	frozenLeast  = 10 * time.Minute // no tag is frozen before
	frozenTimes  = 30               // times its usual interval between changes
	frozenGaps   = 3                // times as long as it usually stands still at most
	frozenNever  = 8 * time.Hour    // for one that never moved: laboratory values are entered every few hours
	frozenLearnt = 10               // changes, before its usual interval counts
)

func (m *movement) watch(p plant.Point, measured bool, at time.Time) {
	switch {
	case !measured || !p.Usable():
		m.seen, m.frozen = false, false
		return
	case !m.seen || at.Before(m.changed):
		m.seen, m.value, m.changed = true, p.Value, at
		return
	case math.Abs(p.Value-m.value) > plant.SameWithin*max(1, math.Abs(m.value)):
		gap := at.Sub(m.changed)
		m.value, m.changed = p.Value, at
		m.rhythm.Gap(gap)
		if m.frozen {
			m.frozen = false // the long gap is no habit of its
			return
		}
		m.changes++
		m.usual += (gap - m.usual) / time.Duration(min(m.changes, 50))
		return
	}
	still := at.Sub(m.changed)
	limit := frozenNever
	if m.changes >= frozenLearnt {
		limit = max(frozenLeast, frozenTimes*m.usual, frozenGaps*m.rhythm.Usual())
	}
	// Once frozen it stays so until it moves. Nothing flows at 0: that may last.
	m.frozen = m.frozen || m.peersMove && still > limit && m.value != 0
}

// recent reports whether it moved within the last minutes.
func (m *movement) recent(at time.Time) bool {
	return m.seen && m.changes > 0 && at.Sub(m.changed) < 5*time.Minute
}
