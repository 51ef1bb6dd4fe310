package rules

import (
	"time"

	"calandria/plant"
)

// Severities of a consequence, from the least. "danger" is for people and
// pressure equipment.
var severities = []string{"minor", "moderate", "severe", "danger"}

// Matrix gives the priority of an alarm from the time an operator has and the
// severity of what follows if nothing is done. The rows are: more than 30
// min, 10 to 30 min, 3 to 10 min, less than 3 min; the columns minor,
// moderate, severe, danger. A limit of two rows belongs to the more urgent
// one, but 30 min to the second.
type Matrix [4][4]plant.Priority

// DefaultMatrix is the matrix used unless the site gives its own. Priority as
// one function of consequence and time to respond is what ISA-18.2 (clauses 6
// and 9) and IEC 62682 ask for; the figures are a choice of this project, for
// each site to review.
func DefaultMatrix() Matrix {
	const n, l, m, h, u = plant.PriorityNone, plant.PriorityLow, plant.PriorityMedium, plant.PriorityHigh, plant.PriorityUrgent
	return Matrix{
		{n, l, m, m},
		{l, l, m, h},
		{l, m, h, u},
		{m, h, h, u},
	}
}

// Priority looks an alarm's priority up.
func (m Matrix) Priority(severity int, respond time.Duration) plant.Priority {
	row := 0
	switch {
	case respond < 3*time.Minute:
		row = 3
	case respond <= 10*time.Minute:
		row = 2
	case respond <= 30*time.Minute:
		row = 1
	}
	return m[row][severity]
}
