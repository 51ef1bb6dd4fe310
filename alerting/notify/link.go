package notify

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"maps"
	"sync"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// Links makes and reads the addresses with which one call of one alarm may be
// acknowledged without signing in, until they expire.
type Links struct {
	Address string // of the console
	Key     []byte
	Expires time.Duration
	// Used are the links that were used, until they expire; Keep stores them, nil: a
	// restart forgets them.
	Used map[string]time.Time
	Keep func(used map[string]time.Time)
	mu   sync.Mutex
}

// Link is what an address allows.
type Link struct {
	Alarm      string    `json:"a"`
	Occurrence uint64    `json:"o"`
	Receiver   string    `json:"r"`
	Until      time.Time `json:"u"`
}

// Make gives the address for a call to a receiver.
func (l *Links) Make(receiver string, e *plant.Event, now time.Time) string {
	body, err := json.Marshal(Link{e.Alarm, e.Occurrence, receiver, now.Add(l.Expires).UTC().Truncate(time.Second)})
	if err != nil {
		return ""
	}
	return l.Address + "/acknowledge/" + base64.RawURLEncoding.EncodeToString(append(l.sum(body), body...))
}

func (l *Links) sum(body []byte) []byte {
	m := hmac.New(sha256.New, l.Key)
	m.Write([]byte("calandria acknowledge 1\n"))
	m.Write(body)
	return m.Sum(nil)
}

// Read gives what the last part of an address allows. With use it is used from now
// on: a link is good for once.
func (l *Links) Read(token string, now time.Time, use bool) (x Link, err error) {
	b, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(b) < sha256.Size || !hmac.Equal(b[:sha256.Size], l.sum(b[sha256.Size:])) || json.Unmarshal(b[sha256.Size:], &x) != nil {
		return Link{}, words.Errorf("the link is not whole, or not one of ours")
	}
	if now.After(x.Until) {
		return Link{}, words.Errorf("the link has expired")
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	name := hex.EncodeToString(b[:16])
	if _, was := l.Used[name]; was {
		return Link{}, words.Errorf("the link was used already")
	}
	if use {
		if l.Used == nil {
			l.Used = map[string]time.Time{}
		}
		maps.DeleteFunc(l.Used, func(_ string, until time.Time) bool { return now.After(until) })
		l.Used[name] = x.Until
		if l.Keep != nil {
			l.Keep(l.Used)
		}
	}
	return x, nil
}
