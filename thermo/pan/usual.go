package pan

// Habits are what a pan usually does, learned from its own strikes.
type Habits struct{}

func (t *Tracker) learn() {}
