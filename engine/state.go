package engine

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"strings"
	"time"
	"unsafe"

	"calandria/plant"
	"calandria/rules"
)

// A checkpoint is everything that a Core has learned and gathered: filters,
// trackers of scale and strikes, usual differences, windows, the frame. No part
// of the core writes it by hand: the core's structures are walked, field by
// field, so that a new field is saved without a further line.
//
// The walk follows structures of this program only and skips what a new Core has
// already by its configuration:
//
//   - pointers to the vocabulary (plant.House, plant.Equipment, ...) and values of
//     other modules (compiled expressions);
//   - functions, channels and interfaces;
//   - fields with the tag `state:"-"`;
//   - of a type with a method Gathered, everything but what that method points to.
//
// A pointer is saved as what it is: the place in the skeleton, which is every
// pointer that a new Core has, in the order of the walk, or else a structure of
// its own. So whatever two parts shared before they share again.
//
// A checkpoint fits only a program whose structures are the same (layout), and a
// house of the same plant file. Everything else is refused; the archive then
// tells the past again.

// gatherer is a type that names what of it is to be saved.
type gatherer interface{ Gathered() []any }

// CheckpointError says why a checkpoint cannot be used. The archive is replayed
// instead.
type CheckpointError struct{ Why string }

func (e *CheckpointError) Error() string { return "the checkpoint cannot be used: " + e.Why }

const checkpointVersion = 1

// checkpointHead stands before the state.
type checkpointHead struct {
	Version            uint64
	Calc, Ruled, Plant [sha256.Size]byte // layouts, and the plant file
	At                 time.Time
	Rules              []rules.File
}

// learned is a part of the core that learns: its root, and the pointers that it
// had when it was new.
type learned struct {
	root     reflect.Value
	skeleton map[address]uint64
	order    []reflect.Value
	layout   [sha256.Size]byte
}

// newLearned numbers the pointers of a new structure and marks its layout.
func newLearned(root any) learned {
	x := &indexer{skeleton: map[address]uint64{}, types: map[reflect.Type]bool{}, words: map[string]bool{}}
	l := learned{root: reflect.New(reflect.TypeOf(root)).Elem()}
	l.root.Set(reflect.ValueOf(root))
	x.value(l.root)
	l.skeleton, l.order = x.skeleton, x.order
	l.layout = sha256.Sum256(fmt.Appendf(nil, "%s\n%d pointers", strings.Join(slices.Sorted(maps.Keys(x.words)), "\n"), len(x.order)))
	return l
}

// Save writes the checkpoint as of a moment. The alarms are not in it: the journal
// keeps their state with each transition.
func (c *Core) Save(at time.Time) ([]byte, error) {
	var out, head bytes.Buffer
	h := checkpointHead{Version: checkpointVersion, Calc: c.calc.layout, Ruled: c.ruled.layout, Plant: plantMark(c.House), At: at.UTC(), Rules: c.files}
	e := &codec{out: &head}
	e.value(reflect.ValueOf(&h).Elem())
	out.Write(binary.LittleEndian.AppendUint32(nil, uint32(head.Len())))
	out.Write(head.Bytes())
	e.out = &out
	e.value(reflect.ValueOf(c.Frame).Elem())
	e.time(c.scanned)
	e.of(&c.calc)
	e.of(&c.ruled)
	if e.err != nil {
		return nil, fmt.Errorf("write the checkpoint: %w", e.err)
	}
	return out.Bytes(), nil
}

// Checkpoint is a saved state that has been read but not used yet.
type Checkpoint struct {
	At    time.Time
	Rules []rules.File // in force when it was written
	head  checkpointHead
	body  []byte
}

// ReadCheckpoint reads the head of a checkpoint. The error is a
// [*CheckpointError].
func ReadCheckpoint(data []byte) (cp *Checkpoint, err error) {
	damaged := &CheckpointError{"it is damaged"}
	if len(data) < 4 {
		return nil, damaged
	}
	n := int(binary.LittleEndian.Uint32(data))
	if n > len(data)-4 {
		return nil, damaged
	}
	cp = &Checkpoint{body: data[4+n:]}
	d := &codec{in: data[4 : 4+n]}
	d.value(reflect.ValueOf(&cp.head).Elem())
	switch {
	case cp.head.Version != checkpointVersion && cp.head.Version != 0:
		return nil, &CheckpointError{fmt.Sprintf("it has version %d, this program reads %d", cp.head.Version, checkpointVersion)}
	case d.err != nil || len(d.in) > 0 || cp.head.Version == 0:
		return nil, damaged
	}
	cp.At, cp.Rules = cp.head.At, cp.head.Rules
	return cp, nil
}

// Resume makes a core for a house that has no tags of a core yet, with what a
// checkpoint holds. If the rule files have changed since, it is as if they were
// reloaded now. The error is a [*CheckpointError] where the checkpoint does not
// fit; the house must not be used again then.
func Resume(h *plant.House, files []rules.File, cp *Checkpoint, now time.Time) (*Core, error) {
	next, err := New(h, files, rules.Options{})
	if err != nil {
		return nil, err
	}
	return next.Resume(cp, now)
}

// Resume is [Resume] with the house and rule files of a core that has seen nothing
// yet; that core must not be used afterwards.
func (c *Core) Resume(cp *Checkpoint, now time.Time) (*Core, error) {
	next := c
	if rules.SameFiles(next.files, cp.Rules) {
		return next, next.restore(cp, now)
	}
	c, err := New(next.House, cp.Rules, rules.Options{})
	if err != nil {
		return nil, &CheckpointError{"the rule files of then cannot be read: " + err.Error()}
	}
	if err := c.restore(cp, now); err != nil {
		return nil, err
	}
	if err := c.Adopt(next, cp.At); err != nil {
		return nil, &CheckpointError{err.Error()}
	}
	c.Alarms = next.Alarms
	return c, nil
}

// restore takes over a checkpoint of the same plant and rule files. The core must
// be new; after an error it must not be used.
func (c *Core) restore(cp *Checkpoint, now time.Time) error {
	switch {
	case cp.head.Calc != c.calc.layout || cp.head.Ruled != c.ruled.layout:
		return &CheckpointError{"another version of the program wrote it"}
	case cp.head.Plant != plantMark(c.House):
		return &CheckpointError{"the plant file has changed since"}
	case cp.At.After(now):
		return &CheckpointError{"it is from the future: " + cp.At.Format(time.RFC3339)}
	}
	d := &codec{in: cp.body}
	d.value(reflect.ValueOf(c.Frame).Elem())
	c.scanned = d.time(time.Time{})
	d.of(&c.calc)
	d.of(&c.ruled)
	if d.err != nil || len(d.in) > 0 || len(c.Frame.Points) != len(c.House.Tags) {
		return &CheckpointError{"it is damaged"}
	}
	c.air = c.Calc.AirShift()
	c.Rules.SetAir(c.air)
	return nil
}

// plantMark identifies a plant file.
func plantMark(h *plant.House) [sha256.Size]byte { return sha256.Sum256(h.Document.Source) }

// address is a pointer as it is found again: the first field of a structure has
// the address of the structure, but another type.
type address struct {
	at unsafe.Pointer
	of reflect.Type
}

func addressOf(p reflect.Value) address { return address{p.UnsafePointer(), p.Type()} }

// skipped reports whether a type is configuration or machinery and not state.
func skipped(t reflect.Type) bool {
	switch t.Kind() {
	case reflect.Func, reflect.Chan, reflect.Interface, reflect.UnsafePointer:
		return true
	case reflect.Pointer:
		e := t.Elem()
		return e.PkgPath() == plantPath && e != frameType || foreign(e)
	}
	return foreign(t)
}

var (
	timeType     = reflect.TypeFor[time.Time]()
	frameType    = reflect.TypeFor[plant.Frame]()
	gathererType = reflect.TypeFor[gatherer]()
	plantPath    = reflect.TypeFor[plant.House]().PkgPath()
	modulePrefix = plantPath[:strings.IndexByte(plantPath, '/')+1]
)

// foreign reports whether a structure belongs to another module; times do not
// count.
func foreign(t reflect.Type) bool {
	return t.Kind() == reflect.Struct && t != timeType && t.PkgPath() != "" && !strings.HasPrefix(t.PkgPath(), modulePrefix)
}

// reach makes a field that is not exported accessible.
func reach(v reflect.Value) reflect.Value {
	if v.CanInterface() || !v.CanAddr() {
		return v
	}
	return reflect.NewAt(v.Type(), v.Addr().UnsafePointer()).Elem()
}

// parts gives what is to be saved of a structure: its fields, or what it names
// itself.
func parts(v reflect.Value) []reflect.Value {
	if v.CanAddr() && v.Addr().Type().Implements(gathererType) {
		var out []reflect.Value
		for _, p := range v.Addr().Interface().(gatherer).Gathered() {
			out = append(out, reflect.ValueOf(p).Elem())
		}
		return out
	}
	t := v.Type()
	out := make([]reflect.Value, 0, t.NumField())
	for i := range t.NumField() {
		f := t.Field(i)
		if f.Tag.Get("state") == "-" || skipped(f.Type) {
			continue
		}
		out = append(out, reach(v.Field(i)))
	}
	return out
}

// indexer walks a new core.
type indexer struct {
	skeleton map[address]uint64
	order    []reflect.Value
	types    map[reflect.Type]bool
	words    map[string]bool
	named    bool // within a type that names what is saved of it: nothing points into that
}

func (x *indexer) value(v reflect.Value) {
	t := v.Type()
	if skipped(t) {
		return
	}
	x.name(t)
	switch t.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return
		}
		a := addressOf(v)
		if _, known := x.skeleton[a]; known {
			return
		}
		x.skeleton[a] = uint64(len(x.order))
		x.order = append(x.order, v)
		x.value(v.Elem())
	case reflect.Struct:
		if t == timeType {
			return
		}
		whole := x.named
		if v.CanAddr() {
			if v.Addr().Type().Implements(gathererType) {
				x.named = true
			} else if a := addressOf(v.Addr()); !x.named {
				// A pointer into a structure may come up later.
				if _, known := x.skeleton[a]; !known {
					x.skeleton[a] = uint64(len(x.order))
					x.order = append(x.order, v.Addr())
				}
			}
		}
		for _, p := range parts(v) {
			x.value(p)
		}
		x.named = whole
	case reflect.Slice, reflect.Array:
		if plain(t.Elem()) {
			return
		}
		for i := range v.Len() {
			x.value(v.Index(i))
		}
	case reflect.Map:
		for _, k := range sortedKeys(v) {
			x.value(itemOf(v, k))
		}
	}
}

// itemOf copies a value of a map: so it has an address.
func itemOf(m, key reflect.Value) reflect.Value {
	item := reflect.New(m.Type().Elem()).Elem()
	item.Set(m.MapIndex(key))
	return item
}

// name puts a type and all that it is made of into the layout.
func (x *indexer) name(t reflect.Type) {
	if x.types[t] || skipped(t) {
		return
	}
	x.types[t] = true
	var word strings.Builder
	word.WriteString(t.String())
	switch t.Kind() {
	case reflect.Struct:
		if t == timeType {
			break
		}
		for f := range t.Fields() {
			f := f
			if f.Tag.Get("state") != "-" {
				word.WriteString(";" + f.Name + " " + f.Type.String())
				x.name(f.Type)
			}
		}
	case reflect.Pointer, reflect.Slice, reflect.Array:
		x.name(t.Elem())
	case reflect.Map:
		x.name(t.Elem())
	}
	x.words[word.String()] = true
}

// plain reports whether values of a type hold no pointers: numbers.
func plain(t reflect.Type) bool {
	switch t.Kind() {
	case reflect.Bool, reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64,
		reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64, reflect.Float32, reflect.Float64, reflect.String:
		return true
	case reflect.Array:
		return plain(t.Elem())
	}
	return t == timeType
}

func sortedKeys(m reflect.Value) []reflect.Value {
	keys := m.MapKeys()
	slices.SortFunc(keys, func(a, b reflect.Value) int {
		switch {
		case a.Kind() == reflect.String:
			return strings.Compare(a.String(), b.String())
		case a.CanInt():
			return cmp.Compare(a.Int(), b.Int())
		}
		return cmp.Compare(a.Uint(), b.Uint())
	})
	return keys
}

// codec writes the values of a core, or reads them into a new one: one walk for both.
type codec struct {
	out      *bytes.Buffer // nil: it reads
	in       []byte
	skeleton map[address]uint64
	order    []reflect.Value    // the pointers of the skeleton
	visited  map[uint64]bool    // of the skeleton: the content has come by
	numbers  map[address]uint64 // structures of their own, as they are written
	dynamic  []reflect.Value    // the same, as they are read
	err      error
}

// of turns to a part of the core.
func (c *codec) of(l *learned) {
	c.skeleton, c.order, c.visited, c.numbers, c.dynamic = l.skeleton, l.order, map[uint64]bool{}, map[address]uint64{}, nil
	c.value(l.root)
}

var errShort = errors.New("it ends too soon or does not fit")

func (c *codec) fail() { c.err, c.in = errShort, nil }

// take gives the next bytes; none are left after a fault.
func (c *codec) take(n int) []byte {
	if n <= 0 || n > len(c.in) {
		c.fail()
		return nil
	}
	b := c.in[:n]
	c.in = c.in[n:]
	return b
}

// byte, uint, int and text write what they are given and return it, or return what they
// read in its place.
func (c *codec) byte(b byte) byte {
	if c.out != nil {
		c.out.WriteByte(b)
	} else if next := c.take(1); next != nil {
		return next[0]
	}
	return b
}

func (c *codec) uint(u uint64) uint64 {
	if c.out != nil {
		c.out.Write(binary.AppendUvarint(c.out.AvailableBuffer(), u))
		return u
	}
	u, n := binary.Uvarint(c.in)
	c.take(n)
	return u
}

func (c *codec) int(i int64) int64 {
	if c.out != nil {
		c.out.Write(binary.AppendVarint(c.out.AvailableBuffer(), i))
		return i
	}
	i, n := binary.Varint(c.in)
	c.take(n)
	return i
}

func (c *codec) float(x float64) float64 {
	if c.out != nil {
		c.out.Write(binary.LittleEndian.AppendUint64(c.out.AvailableBuffer(), math.Float64bits(x)))
	} else if b := c.take(8); b != nil {
		return math.Float64frombits(binary.LittleEndian.Uint64(b))
	}
	return x
}

func (c *codec) text(s string) string {
	n := c.uint(uint64(len(s)))
	if c.out != nil {
		c.out.WriteString(s)
		return s
	}
	if n == 0 {
		return ""
	}
	return string(c.take(int(min(n, 1<<40))))
}

// time keeps a time to the nanosecond; the zero time is told apart.
func (c *codec) time(t time.Time) time.Time {
	if c.byte(byte(plant.Flag(!t.IsZero()))) == 0 {
		return time.Time{}
	}
	s, n := c.int(t.Unix()), c.uint(uint64(t.Nanosecond()))
	if n >= 1e9 {
		c.fail()
	}
	return time.Unix(s, int64(n)).UTC()
}

// length is that of a slice or map, -1 for nil. A value takes a byte at least, so that
// no damaged length asks for memory.
func (c *codec) length(v reflect.Value) int {
	u := uint64(0)
	if c.out != nil && !v.IsNil() {
		u = uint64(v.Len()) + 1
	}
	if u = c.uint(u); c.out == nil && u > uint64(len(c.in))+1 {
		c.fail()
		return -1
	}
	return int(u) - 1
}

func (c *codec) value(v reflect.Value) {
	t := v.Type()
	if c.err != nil || skipped(t) {
		return
	}
	reads := c.out == nil
	switch t.Kind() {
	case reflect.Bool:
		if b := c.byte(byte(plant.Flag(v.Bool()))); reads {
			v.SetBool(b == 1)
		}
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		if i := c.int(v.Int()); reads {
			v.SetInt(i)
		}
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		if u := c.uint(v.Uint()); reads {
			v.SetUint(u)
		}
	case reflect.Float32, reflect.Float64:
		if x := c.float(v.Float()); reads {
			v.SetFloat(x)
		}
	case reflect.String:
		if s := c.text(v.String()); reads {
			v.SetString(s)
		}
	case reflect.Struct:
		if t != timeType {
			for _, p := range parts(v) {
				c.value(p)
			}
		} else if at := c.time(*(*time.Time)(reach(v).Addr().UnsafePointer())); reads {
			v.Set(reflect.ValueOf(at))
		}
	case reflect.Array:
		for i := range v.Len() {
			c.value(v.Index(i))
		}
	case reflect.Slice:
		n := c.length(v)
		if reads {
			resize(v, n)
		}
		for i := 0; i < n && c.err == nil; i++ {
			c.value(v.Index(i))
		}
	case reflect.Map:
		c.mapping(v)
	case reflect.Pointer:
		c.pointer(v)
	default:
		c.err = fmt.Errorf("%s cannot be saved", t)
	}
}

// resize keeps the elements that a new core has: they may hold what is not state.
func resize(v reflect.Value, n int) {
	switch {
	case n < 0:
		v.SetZero()
	case !v.IsNil() && n <= v.Cap():
		v.SetLen(n)
	default:
		s := reflect.MakeSlice(v.Type(), n, n)
		reflect.Copy(s, v)
		v.Set(s)
	}
}

func (c *codec) mapping(v reflect.Value) {
	n := c.length(v)
	if c.out != nil {
		for _, k := range sortedKeys(v) {
			c.value(k)
			c.value(itemOf(v, k))
		}
		return
	}
	if n < 0 {
		v.SetZero()
		return
	}
	m := reflect.MakeMapWithSize(v.Type(), n)
	for range n {
		key, item := reflect.New(v.Type().Key()).Elem(), reflect.New(v.Type().Elem()).Elem()
		c.value(key)
		if old := v.MapIndex(key); old.IsValid() {
			item.Set(old)
		}
		if c.value(item); c.err != nil {
			return
		}
		m.SetMapIndex(key, item)
	}
	v.Set(m)
}

// How a pointer is written.
const (
	toNothing  = iota
	toSkeleton // its place, then the content where it is met first
	toNew      // content
	toKnown    // the number of a structure that came before
)

func (c *codec) pointer(v reflect.Value) {
	how, place, reads := byte(toNothing), uint64(0), c.out == nil
	if !reads && !v.IsNil() {
		a, known := addressOf(v), false
		if place, known = c.skeleton[a]; known {
			how = toSkeleton
		} else if place, known = c.numbers[a]; known {
			how = toKnown
		} else {
			how, c.numbers[a] = toNew, uint64(len(c.numbers))
		}
	}
	// at is the pointer of that place in a list.
	at := func(list []reflect.Value) {
		if place = c.uint(place); !reads {
			return
		}
		if place >= uint64(len(list)) || !list[place].Type().ConvertibleTo(v.Type()) {
			c.fail()
			return
		}
		v.Set(list[place].Convert(v.Type()))
	}
	switch c.byte(how) {
	case toNothing:
		if reads {
			v.SetZero()
		}
	case toSkeleton:
		if at(c.order); c.err == nil && !c.visited[place] {
			c.visited[place] = true
			c.value(v.Elem())
		}
	case toNew:
		if reads {
			p := reflect.New(v.Type().Elem())
			c.dynamic = append(c.dynamic, p)
			v.Set(p.Convert(v.Type()))
		}
		c.value(v.Elem())
	case toKnown:
		at(c.dynamic)
	default:
		c.fail()
	}
}
