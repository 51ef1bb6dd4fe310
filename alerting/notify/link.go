package notify

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"time"

	"calandria/plant"
)

// Links makes and reads the addresses with which one call of one alarm may be
// acknowledged without signing in, until they expire.
type Links struct {
	Address string // of the console
	Key     []byte
	Expires time.Duration
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

// Read gives what the last part of an address allows.
func (l *Links) Read(token string, now time.Time) (x Link, err error) {
	b, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(b) < sha256.Size || !hmac.Equal(b[:sha256.Size], l.sum(b[sha256.Size:])) || json.Unmarshal(b[sha256.Size:], &x) != nil {
		return Link{}, errors.New("the link is not whole, or not one of ours")
	}
	if now.After(x.Until) {
		return Link{}, errors.New("the link has expired")
	}
	return x, nil
}
