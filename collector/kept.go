package collector

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/gopcua/opcua/ua"

	"calandria/plant"
	"calandria/plant/files"
)

// What a client has at its server is on the disk, so that the next start takes it
// up again: the session, the subscriptions, and which message of each is due. The
// ladder then goes as after a broken line: reactivate or move, fetch the messages
// that were not stored, and only where the server kept nothing read history.

// kept is the file. The numbers of the messages stand apart (keepNumbers), because
// they change with each.
type kept struct {
	Mark    string    `json:"mark"` // of what is read: it must be the same
	Started time.Time `json:"started"`
	Token   string    `json:"token"`
	Nonce   []byte    `json:"nonce"`
	Cert    []byte    `json:"cert"`
	Timeout time.Duration
	Subs    []keptSub         `json:"subs"`
	Items   map[string]keptID `json:"items"` // by path
}

type keptSub struct {
	ID     uint32             `json:"id"`
	Rate   time.Duration      `json:"rate"`
	Health SubscriptionHealth `json:"health"`
}

type keptID struct {
	Node string `json:"node"`
	Sub  uint32 `json:"sub"`
}

func (d *driver) keptFile(kind string) string {
	return filepath.Join(d.c.cfg.DataDir, "session-"+d.c.cfg.Server.Name+kind)
}

// mark identifies what is read from the server and how.
func (d *driver) mark() string {
	h := sha256.New()
	s := d.c.cfg.Server
	fmt.Fprintln(h, s.Endpoint, s.Policy, s.Mode, s.User, s.Publish)
	for _, it := range d.items {
		fmt.Fprintln(h, it.tag.ID, it.tag.Path, it.tag.Node, it.tag.Sampling)
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}

// keep writes the file; a failure costs no more than history at the next start.
func (d *driver) keep() {
	k := kept{Mark: d.mark(), Started: d.peer.started, Token: d.peer.sess.token.String(), Nonce: d.peer.sess.nonce, Cert: d.peer.sess.cert,
		Timeout: d.peer.sess.timeout, Items: map[string]keptID{}}
	for _, s := range d.subs {
		k.Subs = append(k.Subs, keptSub{s.id, s.rate, s.health})
	}
	for _, it := range d.items {
		if it.sub != nil {
			k.Items[it.tag.Path] = keptID{it.id.String(), it.sub.id}
		}
	}
	data, err := json.Marshal(&k)
	name := d.keptFile(".json")
	if err == nil {
		d.keepNumbers()
		err = files.Write(name, data, 0o600)
	}
	if d.kept = err == nil; err != nil {
		d.log.Warn("the session cannot be kept for the next start", "err", err)
	}
}

// keepNumbers writes which message of each subscription is to come next. It must
// be done before the server is told to forget them.
func (d *driver) keepNumbers() {
	var data []byte
	for _, s := range d.subs {
		data = binary.LittleEndian.AppendUint32(data, s.id)
		data = binary.LittleEndian.AppendUint32(data, s.stored)
	}
	f, err := os.OpenFile(d.keptFile(".next"), os.O_WRONLY|os.O_CREATE, 0o600)
	if err == nil {
		_, err = f.WriteAt(data, 0) // in one piece: a kill leaves the old or the new
		err = errors.Join(err, f.Close())
	}
	if err != nil && d.kept {
		d.kept = false
		os.Remove(d.keptFile(".json")) // better none than a wrong one
		d.log.Warn("the session cannot be kept for the next start", "err", err)
	}
}

// takeUp makes what was kept the driver's own, as if the line had just been lost.
func (d *driver) takeUp() {
	data, err := os.ReadFile(d.keptFile(".json"))
	var numbers []byte
	if err == nil {
		numbers, err = os.ReadFile(d.keptFile(".next"))
	}
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			d.log.Warn("the session of before cannot be read; a new one is made", "err", err)
		}
		return
	}
	var k kept
	if err := json.Unmarshal(data, &k); err != nil || k.Mark != d.mark() {
		d.log.Info("the session of before is not taken up", "why", "it is of another configuration, or damaged")
		return
	}
	token, err := ua.ParseNodeID(k.Token)
	if err != nil || token.String() != k.Token {
		return
	}
	stored := map[uint32]uint32{}
	for ; len(numbers) >= 8; numbers = numbers[8:] {
		stored[binary.LittleEndian.Uint32(numbers)] = binary.LittleEndian.Uint32(numbers[4:])
	}
	var subs []*subscription
	for _, x := range k.Subs {
		n, ok := stored[x.ID]
		if !ok {
			return
		}
		s := &subscription{id: x.ID, rate: x.Rate, health: x.Health, next: after(n), stored: n, held: map[uint32]*ua.NotificationMessage{}}
		subs = append(subs, s)
	}
	for _, it := range d.items {
		x, ok := k.Items[it.tag.Path]
		if !ok {
			continue
		}
		i := slices.IndexFunc(subs, func(s *subscription) bool { return s.id == x.Sub })
		node, err := ua.ParseNodeID(x.Node)
		if i < 0 || err != nil {
			continue
		}
		it.id, it.sub, it.handle = node, subs[i], uint32(it.tag.ID)+1
	}
	d.subs, d.oldStarted = subs, k.Started
	d.oldSess = &session{token: token, nonce: k.Nonce, cert: k.Cert, timeout: k.Timeout}
	d.broken = true
}

// ours are the states that only this program gives a value.
var ours = []plant.Quality{plant.BadNoCommunication, plant.BadDataLost, plant.BadNoData}

// remembered tells each item where the archive ends, for what the server may repeat
// and for the history to ask for.
func (d *driver) remembered() {
	const noticed = 10 * time.Second // a loss may be noticed that much later
	for _, it := range d.items {
		p, offset, ok := d.c.cfg.Archived(it.tag.ID)
		if !ok {
			continue
		}
		it.offset = offset
		if it.last = p.Time; it.last.After(d.now()) {
			it.last = d.now() // our own clock was set back
		}
		it.declared, it.declaredAt = plant.BadNoData, it.last // until it is heard of again
		it.newest = p.Time.Add(offset)
		if slices.Contains(ours, p.Quality) {
			it.newest = it.newest.Add(-noticed)
		} else {
			it.have = it.newest
		}
		d.broken = true
	}
}
