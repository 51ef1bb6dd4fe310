//go:build !race

// The race detector needs more memory than a reader may have: without the bound
// these attacks would show nothing.

package collector

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

// hostile is a server that opens a channel as it should and answers each request
// with the same bytes. Frames and types are those of OPC 10000-6, 6.7 and 7.1.
type hostile struct {
	l      net.Listener
	answer func(request uint32) []byte // type and body
	wg     sync.WaitGroup
}

func newHostile(t *testing.T, answer func(request uint32) []byte) *hostile {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h := &hostile{l: l, answer: answer}
	h.wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			h.wg.Go(func() { defer c.Close(); h.serve(c) })
		}
	})
	t.Cleanup(func() { l.Close(); h.wg.Wait() })
	return h
}

func (h *hostile) serve(c net.Conn) {
	u32 := binary.LittleEndian.AppendUint32
	send := func(kind string, chunk bool, body []byte) bool {
		const most = 60000
		for {
			part, last := body, byte('F')
			if len(part) > most && chunk {
				part, last = part[:most], 'C'
			}
			if _, err := c.Write(append(u32(append([]byte(kind), last), uint32(len(part)+8)), part...)); err != nil {
				return false
			}
			if body = body[len(part):]; len(body) == 0 {
				return true
			}
		}
	}
	seq := uint32(0)
	for {
		var head [8]byte
		if _, err := io.ReadFull(c, head[:]); err != nil {
			return
		}
		n := binary.LittleEndian.Uint32(head[4:])
		if n < 8 || n > 1<<20 {
			return
		}
		body := make([]byte, n-8)
		if _, err := io.ReadFull(c, body); err != nil {
			return
		}
		switch string(head[:3]) {
		case "HEL":
			var ack []byte
			for _, v := range []uint32{0, 65535, 65535, 16 << 20, 0} {
				ack = u32(ack, v)
			}
			send("ACK", false, ack)
		case "OPN":
			// Channel, policy, two empty byte strings, sequence, request.
			policy := binary.LittleEndian.Uint32(body[4:])
			at := 8 + policy + 8
			request := binary.LittleEndian.Uint32(body[at+4:])
			res, _ := ua.Encode(&ua.OpenSecureChannelResponse{ResponseHeader: &ua.ResponseHeader{Timestamp: time.Now(), RequestHandle: 1, ServiceDiagnostics: &ua.DiagnosticInfo{}, StringTable: []string{}, AdditionalHeader: ua.NewExtensionObject(nil)},
				SecurityToken: &ua.ChannelSecurityToken{ChannelID: 7, TokenID: 1, CreatedAt: time.Now(), RevisedLifetime: 3600000}, ServerNonce: []byte{1}})
			seq++
			out := u32(nil, 7)
			out = append(out, body[4:at]...)
			out = append(u32(u32(out, seq), request), 1, 0)
			out = binary.LittleEndian.AppendUint16(out, id.OpenSecureChannelResponse_Encoding_DefaultBinary)
			send("OPN", false, append(out, res...))
		case "MSG":
			request := binary.LittleEndian.Uint32(body[12:])
			answer := h.answer(request)
			for len(answer) > 0 {
				part, last := answer, byte('F')
				if len(part) > 60000 {
					part, last = part[:60000], 'C'
				}
				answer = answer[len(part):]
				seq++
				out := u32(u32(u32(u32(nil, 7), 1), seq), request)
				out = append(out, part...)
				if _, err := c.Write(append(u32(append([]byte("MSG"), last), uint32(len(out)+8)), out...)); err != nil {
					return
				}
			}
		default:
			return
		}
	}
}

// endpointsWith is an answer to GetEndpoints with bytes of the attacker's in its
// header: diagnostics, and one structure that holds a Variant.
func endpointsWith(diagnostics, variant []byte) []byte {
	var b bytes.Buffer
	b.Write([]byte{1, 0})
	binary.Write(&b, binary.LittleEndian, uint16(id.GetEndpointsResponse_Encoding_DefaultBinary))
	b.Write(make([]byte, 8))            // time
	b.Write([]byte{1, 0, 0, 0})         // handle
	b.Write(make([]byte, 4))            // Good
	b.Write(diagnostics)                //
	b.Write([]byte{255, 255, 255, 255}) // no strings
	if variant == nil {
		b.Write([]byte{0, 0, 0}) // no structure
	} else {
		b.Write([]byte{1, 0})
		binary.Write(&b, binary.LittleEndian, uint16(id.LiteralOperand_Encoding_DefaultBinary))
		b.WriteByte(1)
		binary.Write(&b, binary.LittleEndian, uint32(len(variant)))
		b.Write(variant)
	}
	b.Write([]byte{0, 0, 0, 0}) // no endpoints
	return b.Bytes()
}

// attacks are bytes that end a process which decodes them, or take its memory.
func attacks() map[string][]byte {
	array := func(kind byte, n int32, dims ...int32) []byte {
		b := binary.LittleEndian.AppendUint32([]byte{kind}, uint32(n))
		if len(dims) > 0 {
			b = binary.LittleEndian.AppendUint32(b, uint32(len(dims)))
		}
		for _, d := range dims {
			b = binary.LittleEndian.AppendUint32(b, uint32(d))
		}
		return b
	}
	const double, variant, isArray, hasDims = 11, 24, 0x80, 0x40
	// Three times this is 2 in 32 bits: two values in three rows.
	rows := append(binary.LittleEndian.AppendUint32([]byte{double | isArray | hasDims}, 2), make([]byte, 16)...)
	rows = append(rows, array(0, 2, 3, 0x55555556)[5:]...)
	return map[string][]byte{
		"rows of no length":          endpointsWith([]byte{0}, rows),
		"negative length":            endpointsWith([]byte{0}, array(double|isArray, -2)),
		"2^31 values":                endpointsWith([]byte{0}, array(double|isArray, 1<<31-1)),
		"2^31 dimensions":            endpointsWith([]byte{0}, binary.LittleEndian.AppendUint32(array(double|isArray|hasDims, 0), 1<<31-1)),
		"product of dimensions is 0": endpointsWith([]byte{0}, array(double|isArray|hasDims, 0, 1<<30, 0)),
		"dimensions that overflow":   endpointsWith([]byte{0}, array(double|isArray|hasDims, 0, 1<<16, 1<<16, 1<<16, 1<<16)),
		"deep Variant":               endpointsWith([]byte{0}, bytes.Repeat([]byte{variant}, 15<<20)),
		"deep DiagnosticInfo":        endpointsWith(bytes.Repeat([]byte{0x40}, 15<<20), nil),
		"negative number of strings": append(endpointsWith([]byte{0}, nil)[:21], 254, 255, 255, 255),
	}
}

// Whatever a server sends before anything of it is trusted, this process lives, its
// memory stays, the source is lost with the reason, and another reader begins at
// once.
func TestHostileServers(t *testing.T) {
	for name, answer := range attacks() {
		t.Run(name, func(t *testing.T) {
			h := newHostile(t, func(uint32) []byte { return answer })
			log := &logLines{}
			r, err := NewRemote(Config{Server: plainServer("opc.tcp://" + h.l.Addr().String()), Tags: tagsOf("T0", "T1"), DataDir: t.TempDir(),
				Logger: slog.New(slog.NewTextHandler(log, nil))}, readerHere)
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := contextOf(t)
			var wg sync.WaitGroup
			wg.Go(func() { r.Run(ctx) })
			bad := make(chan plant.Sample, 100)
			wg.Go(func() {
				for b := range r.Batches() {
					for _, s := range b.Samples {
						select {
						case bad <- s:
						default:
						}
					}
				}
			})
			told := make(chan Health, 100)
			wg.Go(func() {
				for h := range r.Changes() {
					select {
					case told <- h:
					default:
					}
				}
			})
			if s := <-bad; s.Point.Quality != plant.BadNoCommunication {
				t.Errorf("%+v", s)
			}
			for h := range told { // an error of the server's answer will do as well as an end
				if h.LastError != "" {
					if !strings.Contains(h.LastError, "the process that reads it has ended") {
						t.Logf("refused: %s", h.LastError)
						break
					}
					t.Logf("%s", h.LastError)
					if strings.Contains(h.LastError, "\n") || h.Crashes == 0 {
						t.Errorf("%+v", h)
					}
					break
				}
			}
			cancel()
			wg.Wait()
			if t.Failed() {
				t.Log(log)
			}
		})
	}
}

// Commands that look at a server live through the same, and say what came.
func TestHostileServersAtALook(t *testing.T) {
	for name, answer := range attacks() {
		t.Run(name, func(t *testing.T) {
			h := newHostile(t, func(uint32) []byte { return answer })
			server := plainServer("opc.tcp://" + h.l.Addr().String())
			ctx, cancel := contextOf(t)
			defer cancel()
			_, err := BrowseApart(ctx, readerHere, BrowseOptions{Server: server, DataDir: t.TempDir()}, slog.New(slog.DiscardHandler))
			_, _, err2 := LookApart(ctx, readerHere, Config{Server: server, Tags: tagsOf("T0"), DataDir: t.TempDir()}, LookOptions{})
			for _, err := range []error{err, err2} {
				if err == nil || !strings.Contains(err.Error(), "server s") && !strings.Contains(err.Error(), server.Name) || strings.Contains(err.Error(), "\n") {
					t.Errorf("%v", err)
				}
			}
			t.Log(err)
		})
	}
}

// A batch comes through the pipe as it was, and one that is not of this server's
// tags is refused.
func TestFrames(t *testing.T) {
	at := time.Date(2026, 1, 5, 6, 0, 0, 123456700, time.UTC)
	b := Batch{Number: 9, Received: at, Samples: []plant.Sample{
		{Tag: 3, Point: plant.Point{Time: at, Value: 1.5, Quality: plant.Good}, Offset: -time.Hour},
		{Tag: 4, Point: plant.Point{Time: at.Add(1), Value: -2, Quality: plant.QualityOf(0x40900480)}}}}
	raw := appendBatch(nil, &b)
	got, err := readBatch(raw, func(plant.TagID) bool { return true })
	if err != nil || fmt.Sprint(got) != fmt.Sprint(b) {
		t.Errorf("%+v, %v; want %+v", got, err, b)
	}
	if _, err := readBatch(raw, func(id plant.TagID) bool { return id == 3 }); err == nil {
		t.Error("a value of a tag that is not of this server was taken")
	}
	if _, err := readBatch(raw[:len(raw)-1], func(plant.TagID) bool { return true }); err == nil {
		t.Error("a batch that is cut was taken")
	}
}

func BenchmarkFrames(b *testing.B) {
	const n = 1000
	x := Batch{Samples: make([]plant.Sample, n)}
	for i := range x.Samples {
		x.Samples[i] = plant.Sample{Tag: plant.TagID(i), Point: plant.Point{Time: time.Unix(0, 1), Value: 1, Quality: plant.Good}}
	}
	var buf []byte
	for b.Loop() {
		buf = appendBatch(buf[:0], &x)
		if _, err := readBatch(buf, func(plant.TagID) bool { return true }); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/value")
}

// What the reader says is not trusted either: it has seen the server's bytes.
func FuzzFrames(f *testing.F) {
	b := appendBatch(nil, &Batch{Number: 1, Samples: []plant.Sample{{Tag: 1}}})
	var whole bytes.Buffer
	w := bufio.NewWriter(&whole)
	writeFrame(w, frameBatch, b)
	writeJSON(w, frameHealth, &Health{})
	f.Add(whole.Bytes())
	f.Add([]byte("b\xff\xff\xff\xff"))
	f.Fuzz(func(t *testing.T, data []byte) {
		r := bufio.NewReader(bytes.NewReader(data))
		for {
			_, body, err := readFrame(r, nil)
			if err != nil {
				return
			}
			if x, err := readBatch(body, func(id plant.TagID) bool { return id == 1 }); err == nil {
				for _, s := range x.Samples {
					if s.Tag != 1 || s.Point.Quality.IsBad() && !math.IsNaN(s.Point.Value) {
						t.Fatalf("%+v", s)
					}
				}
			}
		}
	})
}

// Whatever bytes a server answers with, this process lives and the source is lost
// with a reason. The decoder runs in a reader of its own for each input.
func FuzzAnswer(f *testing.F) {
	for _, answer := range attacks() {
		if len(answer) < 1<<10 {
			f.Add(answer)
		}
	}
	f.Fuzz(func(t *testing.T, answer []byte) {
		if len(answer) == 0 {
			return
		}
		h := newHostile(t, func(uint32) []byte { return answer })
		r, err := NewRemote(Config{Server: plainServer("opc.tcp://" + h.l.Addr().String()), Tags: tagsOf("T0"), DataDir: t.TempDir()}, readerHere)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := contextOf(t)
		defer cancel()
		var wg sync.WaitGroup
		wg.Go(func() { r.Run(ctx) })
		for b := range r.Batches() {
			if len(b.Samples) > 0 && b.Samples[0].Point.Quality.IsBad() {
				cancel()
			}
		}
		wg.Wait()
	})
}

// A reader that is killed, or ends on what a server sends whom it trusts, is missed
// for two seconds at most, and what the server's history has is there afterwards.
func TestReaderIsKilled(t *testing.T) {
	for _, how := range []string{"killed", "negative length", "2^31 dimensions"} {
		t.Run(how, func(t *testing.T) { readerIsKilled(t, how) })
	}
}

func readerIsKilled(t *testing.T, how string) {
	// The server samples each 100 ms: a faster ramp would lose values there.
	s := startInterop(t, map[string]any{"variables": 2, "ramp": 500, "history": true})
	p := newCutter(t, s.addr())
	log := &logLines{}
	r, err := NewRemote(Config{Server: plainServer(p.endpoint()), Tags: tagsOf("T0", "T1", "Still"), DataDir: t.TempDir(), Logger: slog.New(slog.NewTextHandler(log, nil))},
		readerHere)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	var wg sync.WaitGroup
	wg.Go(func() { r.Run(ctx) })
	wg.Go(func() {
		for range r.Changes() {
		}
	})
	var points []plant.Point
	var last [3]plant.Point
	var killed, bad time.Time
	for b := range r.Batches() {
		r.Stored(b.Number)
		for _, x := range b.Samples {
			last[x.Tag] = x.Point
			if x.Tag != 0 {
				continue
			}
			if x.Point.Quality.IsBad() {
				if bad.IsZero() && !killed.IsZero() {
					bad = time.Now()
				}
				continue
			}
			points = append(points, x.Point)
		}
		switch h := r.Health(); {
		case killed.IsZero() && len(points) > 5:
			killed = time.Now()
			if poison, ok := attacks()[how]; ok {
				poison = poison[:min(len(poison), 60000)]
				p.poison.Store(&poison)
			} else {
				r.process.Load().Kill()
			}
		case !bad.IsZero() && h.Counters.Backfilled > 0 && last[2].Quality.IsGood() && last[0].Quality.IsGood():
			// The health may tell of what is still on its way.
			points = inOrder(points)
			if holes, _ := missing(points); holes == 0 {
				cancel()
			}
		}
	}
	wg.Wait()
	if bad.Sub(killed) > 6*time.Second { // two on a machine that has nothing else to do
		t.Errorf("the loss showed after %v", bad.Sub(killed))
	}
	if holes, repeats := missing(inOrder(points)); holes != 0 || repeats != 0 {
		t.Errorf("%d missing, %d repeated\n%s", holes, repeats, log)
	}
	if h := r.Health(); h.Crashes != 1 || !strings.Contains(log.String(), "connected") {
		t.Errorf("%+v\n%s", h, log)
	}
}

// inOrder is in order of time, each sample once: the loss has them twice.
func inOrder(points []plant.Point) []plant.Point {
	slices.SortStableFunc(points, func(a, b plant.Point) int { return a.Time.Compare(b.Time) })
	return slices.CompactFunc(points, func(a, b plant.Point) bool { return a.Time.Equal(b.Time) && a.Value == b.Value })
}
