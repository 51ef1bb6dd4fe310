package historian

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"log/slog"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"calandria/plant/words"

	"github.com/parquet-go/parquet-go"
)

// kindRaw is the folder of the raw files; those of roll-ups are in rollLevels.
const kindRaw = "raw"

// coldKinds are the kinds of Parquet file, each in a folder of its own.
var coldKinds = func() []string {
	kinds := []string{kindRaw}
	for _, l := range rollLevels {
		kinds = append(kinds, l.kind)
	}
	return kinds
}()

// indexKey is the footer entry with the fileHead as JSON.
const indexKey = "calandria.index"

// fileHead is what a file says about itself.
type fileHead struct {
	From int64 `json:"from"` // ns since 1970: contents are in [From, To)
	To   int64 `json:"to"`
	Tick int64 `json:"tick"` // ns of one unit of the time column
	// Replaces names the files whose contents are in this one.
	Replaces []string `json:"replaces,omitempty"`
	// Sources is, for roll-ups, the newest raw version they were made from.
	Sources uint64 `json:"sources,omitempty"`
	// Segment is the number of the segment of the log that it was made from.
	Segment uint64 `json:"segment,omitempty"`
	// Hides are stretches of tags that this file and later ones tell anew.
	Hides []hide `json:"hides,omitempty"`
	// Decimal files hold the tags with a resolution, rounded to decimals; the
	// others hold values exactly, or as the first format rounded them.
	Decimal bool `json:"decimal,omitempty"`
	// about explains the file to other programs.
	about func([]fileEntry) string
	Tags  []fileEntry `json:"tags"` // sorted by path, then unit, as the rows are
}

// hide says that files older than Version tell nothing of the paths in [From,
// To); Version 0 is that of the file that says it.
type hide struct {
	Paths   []string `json:"paths"` // sorted
	From    int64    `json:"from"`
	To      int64    `json:"to"`
	Version uint64   `json:"version,omitempty"`
}

// hidesOf collects what files hide.
func hidesOf(files []*coldFile) []hide {
	var hs []hide
	for _, c := range files {
		for _, h := range c.head.Hides {
			h.Version = cmp.Or(h.Version, c.version)
			hs = append(hs, h)
		}
	}
	return hs
}

type span struct{ from, to int64 }

// shown is what of [from, to) of a path a file of the version still tells.
func shown(hides []hide, version uint64, path string, from, to int64) []span {
	out := []span{{from, to}}
	for _, h := range hides {
		if h.Version <= version || h.To <= from || h.From >= to {
			continue
		}
		if _, ok := slices.BinarySearch(h.Paths, path); !ok {
			continue
		}
		var left []span
		for _, s := range out {
			if s.from < h.From {
				left = append(left, span{s.from, min(s.to, h.From)})
			}
			if s.to > h.To {
				left = append(left, span{max(s.from, h.To), s.to})
			}
		}
		out = left
	}
	return out
}

// fileEntry says where the rows of one tag are.
type fileEntry struct {
	Path string `json:"path"`
	Unit string `json:"unit"`
	Rows int64  `json:"rows"`
	Min  int64  `json:"min"` // ns, first and last time
	Max  int64  `json:"max"`
	// Decimals is to how many values are rounded, in a file of decimals.
	Decimals *int `json:"decimals,omitempty"`
	first    int64
}

// coldFile is one immutable file. It stays open: who reads it while another takes
// its place reads to the end.
type coldFile struct {
	kind, name string
	path       string
	version    uint64
	size       int64
	sum        string // as the manifest has it, "" for not known yet
	head       fileHead
	// lost says why nothing of the file can be read, "" if it can.
	lost words.Text

	store *coldStore
	f     ReadFile
	pages atomic.Pointer[pageIndex] // nil until it is needed
}

// pageIndex is a file with its index of pages.
type pageIndex struct {
	*parquet.File
	groupAt []int64 // first row of each row group
}

// entries lists the rows of a path (one for each unit).
func (c *coldFile) entries(path string) []fileEntry {
	i := sort.Search(len(c.head.Tags), func(i int) bool { return c.head.Tags[i].Path >= path })
	j := i
	for j < len(c.head.Tags) && c.head.Tags[j].Path == path {
		j++
	}
	return c.head.Tags[i:j]
}

// coldStore is the set of Parquet files. The set changes only by add.
type coldStore struct {
	about    func([]fileEntry) string
	dir      string
	fl       FileLayer
	log      *slog.Logger
	readOnly bool
	indexed  atomic.Int64 // files whose index of pages is in memory

	mu      sync.RWMutex
	files   map[string][]*coldFile // by kind, sorted by From and version
	version uint64
	listed  map[string]manifestLine // the manifest as read

	knows  sync.Mutex        // guards damage; taken last
	damage map[string]Damage // by path of the file
}

// maxIndexed is of how many files the index of pages stays in memory.
const maxIndexed = 64

func openCold(dir string, fl FileLayer, log *slog.Logger, readOnly bool) (*coldStore, error) {
	s := &coldStore{dir: dir, fl: fl, log: log, readOnly: readOnly, files: map[string][]*coldFile{}, damage: map[string]Damage{}}
	if err := s.readManifest(); err != nil {
		return nil, err
	}
	for _, kind := range coldKinds {
		if err := fl.MkdirAll(filepath.Join(dir, kind)); err != nil {
			if err = errors.Join(s.aside(kind, err), fl.MkdirAll(filepath.Join(dir, kind))); err != nil {
				return nil, err
			}
		}
		if err := s.readDir(kind); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// readDir finds the files of a kind. Unless the store is read-only it removes
// what a crash has left: half files and files that were replaced.
func (s *coldStore) readDir(kind string) error {
	d := filepath.Join(s.dir, kind)
	names, err := s.fl.List(d)
	if err != nil {
		return err
	}
	known := map[string]*coldFile{}
	for _, c := range s.files[kind] {
		known[c.name] = c
	}
	replaced := map[string]bool{}
	var found []*coldFile
	for _, name := range names {
		if strings.HasSuffix(name, ".tmp") {
			if !s.readOnly {
				if err := s.fl.Remove(filepath.Join(d, name)); err != nil {
					s.log.Warn("left-over file not removed", "file", name, "err", err)
				}
			}
			continue
		}
		v, ok := versionOf(name)
		if !ok {
			continue
		}
		s.version = max(s.version, v)
		c := known[name]
		if c == nil {
			c = &coldFile{store: s, kind: kind, name: name, path: filepath.Join(d, name), version: v}
			err := c.readHead()
			if errors.Is(err, fs.ErrNotExist) { // removed meanwhile by the program that writes: what replaces it is there now
				return s.readDir(kind)
			}
			line, ok := s.listed[kind+"/"+name]
			if ok && err == nil && line.Size != c.size {
				err = words.Errorf("it has %d bytes, not %d", c.size, line.Size)
			}
			c.sum = line.Sum
			if err != nil && !c.lose(words.Of(err)) {
				continue
			}
		}
		for _, r := range c.head.Replaces {
			replaced[r] = true
		}
		found = append(found, c)
	}
	var files []*coldFile
	for _, c := range found {
		if !replaced[c.name] {
			files = append(files, c)
			continue
		}
		if !s.readOnly {
			if err := s.fl.Remove(c.path); err != nil {
				s.log.Warn("replaced file not removed", "file", c.path, "err", err)
			}
		}
	}
	files = append(files, s.missing(kind, names, replaced)...)
	sortFiles(files)
	s.files[kind] = files
	return nil
}

func sortFiles(files []*coldFile) {
	slices.SortFunc(files, func(a, b *coldFile) int {
		return cmp.Or(cmp.Compare(a.head.From, b.head.From), cmp.Compare(a.version, b.version))
	})
}

// versionOf reads the version from a name such as
// raw_20261125T060000_20261125T070000_v00000012.parquet.
func versionOf(name string) (uint64, bool) {
	base, ok := strings.CutSuffix(name, ".parquet")
	if !ok {
		return 0, false
	}
	i := strings.LastIndex(base, "_v")
	if i < 0 {
		return 0, false
	}
	v, err := strconv.ParseUint(base[i+2:], 10, 63)
	return v, err == nil
}

func (s *coldStore) count() int {
	s.mu.RLock()
	defer s.mu.RUnlock()
	n := 0
	for _, files := range s.files {
		n += len(files)
	}
	return n
}

// list returns the files of a kind that overlap [from, to), by From and version.
// Beside a running program the folder is looked through anew each time.
func (s *coldStore) list(kind string, from, to int64) (files []*coldFile) {
	if s.readOnly {
		s.mu.Lock()
		defer s.mu.Unlock()
		if err := s.readDir(kind); err != nil {
			s.log.Error("archive folder cannot be read", "kind", kind, "err", err)
		}
	} else {
		s.mu.RLock()
		defer s.mu.RUnlock()
	}
	for _, c := range s.files[kind] {
		if c.head.From < to && from < c.head.To {
			files = append(files, c)
		}
	}
	return files
}

func (s *coldStore) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, files := range s.files {
		for _, c := range files {
			if c.f != nil {
				c.f.Close()
			}
		}
	}
}

// add writes a file and puts it into the set in place of those it replaces.
// fill writes the rows and completes the head.
func (s *coldStore) add(kind string, head fileHead, replaces []*coldFile, fill fillFile) (*coldFile, error) {
	s.mu.Lock()
	s.version++
	v := s.version
	s.mu.Unlock()
	for _, r := range replaces {
		head.Replaces = append(head.Replaces, r.name)
	}
	head.about = s.about
	c := &coldFile{store: s, kind: kind, version: v, head: head}
	var err error
	c.sum, err = c.head.write(s.fl, filepath.Join(s.dir, kind, fmt.Sprint(v)), fill, func() string {
		c.name = c.head.fileName(kind, v)
		c.path = filepath.Join(s.dir, kind, c.name)
		return c.path
	})
	if errors.Is(err, errNoRows) {
		return nil, nil
	}
	if err == nil {
		c.f, c.size, err = s.fl.Open(c.path)
	}
	if err != nil {
		// Perhaps visible, but not durable: taken back, so that what it
		// replaces stays.
		if c.path != "" {
			s.fl.Remove(c.path)
		}
		return nil, err
	}
	c.place()
	s.put(kind, []*coldFile{c}, replaces)
	return c, nil
}

// put changes the set in one step.
func (s *coldStore) put(kind string, fresh, gone []*coldFile) {
	s.mu.Lock()
	files := slices.DeleteFunc(slices.Clone(s.files[kind]), func(o *coldFile) bool { return slices.Contains(gone, o) })
	files = append(files, fresh...)
	sortFiles(files)
	s.files[kind] = files
	s.writeManifest()
	s.mu.Unlock()
	for _, c := range gone {
		s.knows.Lock()
		delete(s.damage, c.path)
		s.knows.Unlock()
		if err := s.fl.Remove(c.path); err != nil {
			// Its successor names it, so it is ignored, and removed at the next Open.
			s.log.Warn("archive file not removed", "file", c.path, "err", err)
		}
	}
}

// errNoRows says that a file would be empty, and is not written; errTick that a time
// is no multiple of the tick.
var errNoRows, errTick = errors.New("no rows"), errors.New("a time between two ticks")

// write makes the file of a head, which fill completes, with the coarsest tick that
// holds all times exactly. It returns the checksum.
func (h *fileHead) write(fl FileLayer, tmp string, fill fillFile, name func() string) (string, error) {
	for begun := *h; ; begun.Tick /= 1000 {
		*h = begun
		sum := crc32.New(castagnoli)
		err := writeWhole(fl, tmp, name, func(w io.Writer) error {
			if err := fill(io.MultiWriter(w, sum), h); err != nil {
				return err
			}
			if h.From >= h.To {
				return errNoRows
			}
			return nil
		})
		switch {
		case errors.Is(err, errNoRows):
			return "", errNoRows
		case !errors.Is(err, errTick):
			return fmt.Sprintf("%08x", sum.Sum32()), err
		}
	}
}

const nameStamp = "20060102T150405"

// fileName is that of a file with this head.
func (h *fileHead) fileName(kind string, version uint64) string {
	return fmt.Sprintf("%s_%s_%s_v%08d.parquet", kind, time.Unix(0, h.From).UTC().Format(nameStamp), time.Unix(0, h.To).UTC().Format(nameStamp), version)
}

// place fills in where each tag begins.
func (c *coldFile) place() {
	var at int64
	for i := range c.head.Tags {
		c.head.Tags[i].first = at
		at += c.head.Tags[i].Rows
	}
}

// readHead opens the file.
func (c *coldFile) readHead() (err error) {
	if c.f, c.size, err = c.store.fl.Open(c.path); err != nil {
		return err
	}
	pf, err := openParquet(c.f, c.size, false)
	if err != nil {
		return err
	}
	js, ok := pf.Lookup(indexKey)
	if !ok {
		return words.Errorf("not written by this program: no index in the footer")
	}
	if err := json.Unmarshal([]byte(js), &c.head); err != nil {
		return words.Errorf("index in the footer: %s", err)
	}
	if c.head.Tick <= 0 || c.head.To <= c.head.From {
		return words.Errorf("index in the footer makes no sense")
	}
	c.place()
	return nil
}

// index gives the index of pages.
func (c *coldFile) index() (*pageIndex, error) {
	if p := c.pages.Load(); p != nil {
		return p, nil
	}
	pf, err := openParquet(c.f, c.size, true)
	if err != nil {
		return nil, words.Errorf("open archive file %s: %s", c.path, err)
	}
	p, at := &pageIndex{File: pf}, int64(0)
	for _, g := range pf.RowGroups() {
		p.groupAt = append(p.groupAt, at)
		at += g.NumRows()
	}
	if c.store.indexed.Add(1) > maxIndexed {
		c.store.forgetIndexes()
	}
	c.pages.Store(p)
	return p, nil
}

func (s *coldStore) forgetIndexes() {
	s.indexed.Store(0)
	s.mu.RLock()
	defer s.mu.RUnlock()
	for _, files := range s.files {
		for _, c := range files {
			c.pages.Store(nil)
		}
	}
}
