package console

import (
	"sync"
	"time"
)

// keptMax bounds the answers kept; then they start anew.
const keptMax = 200

// keptAnswers are answers of the program that take it some work and change
// slowly, so that ten open pages ask no more than one does.
type keptAnswers struct {
	mu sync.Mutex
	m  map[string]keptAnswer
}

type keptAnswer struct {
	at time.Time
	v  any
}

// kept gives the answer of that key if it is no older than life, else it asks.
// Errors are not kept.
func kept[T any](k *keptAnswers, key string, now time.Time, life time.Duration, ask func() (T, error)) (T, error) {
	k.mu.Lock()
	a, ok := k.m[key]
	k.mu.Unlock()
	if v, right := a.v.(T); ok && right && now.Sub(a.at) < life {
		return v, nil
	}
	v, err := ask()
	if err != nil {
		return v, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.m == nil || len(k.m) >= keptMax {
		k.m = map[string]keptAnswer{}
	}
	k.m[key] = keptAnswer{now, v}
	return v, nil
}

// forget makes the next question of each key be asked.
func (k *keptAnswers) forget() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.m = nil
}
