package console

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"calandria/plant"
	"calandria/plant/files"
	"calandria/plant/words"
)

// right is what a request asks to do.
type right uint8

const (
	toSignIn right = iota // everyone: the sign-in page, what it needs, the health check
	toLook
	toAct   // acknowledge, shelve, comment, record
	toServe // take out of service, and place in service
	toTry   // try limits on the archive
)

// may is the whole table of rights, of people. A token looks, nothing more.
var may = map[Role]right{Viewer: toLook, Operator: toAct, Supervisor: toServe, Engineer: toTry}

func (r Role) may(need right) bool { return may[r] >= need }

// least is the least role that may.
func least(need right) Role {
	for _, r := range roles {
		if r.may(need) {
			return r
		}
	}
	return ""
}

// Figures of sessions; ours. IEC 62443-3-3 SR 2.5 to 2.7 ask for an end and a
// count.
const (
	sessionCookie = "calandria_session"
	defaultIdle   = 12 * time.Hour // a long shift
	sessionsEach  = 8
	sessionsAll   = 1000
	rereadEvery   = time.Second
)

// actor is who makes a request.
type actor struct {
	Name  string
	Role  Role
	Token bool // a program
}

type actorKey struct{}

// actorOf is who makes the request, nil if nobody is signed in.
func actorOf(r *http.Request) *actor {
	a, _ := r.Context().Value(actorKey{}).(*actor)
	return a
}

type session struct {
	user     string
	password string // the hash it was opened with: another one ends it
	seen     time.Time
}

// tries counts wrong passwords of late.
type tries struct {
	n     int
	names int // of an address: under how many names
	since time.Time
}

// gate knows who may do what. Without an accounts file everyone on this machine
// may do everything, under the name given.
type gate struct {
	path string // of the accounts file, empty: no sign-in
	view bool   // looking needs no sign-in
	idle time.Duration
	log  *slog.Logger
	tell func(plant.Event) // journals

	desk *desk

	mu       sync.Mutex
	accounts *Accounts
	stamp    time.Time // of the file as read
	looked   time.Time
	broken   bool
	fault    words.Text // why the accounts file cannot be used, in words
	sessions map[[sha256.Size]byte]*session
	wrong    map[string]*tries    // by "user name", "from address" or "pair", both
	good     map[string]time.Time // by pair: who signed in from there last
}

func newGate(opt *Options) (*gate, error) {
	g := &gate{path: opt.Accounts, view: opt.OpenView, idle: opt.Idle, log: opt.Logger, tell: opt.Journal,
		desk: &desk{lanes: map[string][]chan error{}, free: map[string]time.Time{}}, sessions: map[[sha256.Size]byte]*session{}, wrong: map[string]*tries{}, good: map[string]time.Time{}}
	if g.idle <= 0 {
		g.idle = defaultIdle
	}
	if g.log == nil {
		g.log = slog.New(slog.DiscardHandler)
	}
	if g.tell == nil {
		g.tell = func(plant.Event) {}
	}
	if g.path == "" {
		return g, nil
	}
	if info, err := os.Stat(g.path); err == nil {
		g.stamp = info.ModTime()
	}
	var err error
	if g.accounts, err = LoadAccounts(g.path); err != nil {
		// The program watches all the same, and who can be read may sign in. The
		// file is read again at each request until it is whole.
		g.accounts, g.broken = &Accounts{}, true
		if text, unread := files.Read(g.path, plant.MaxFileBytes); unread == nil && isFaults(err) {
			g.accounts = SalvageAccounts(text)
		}
		g.fault = words.Say("the accounts file cannot be used, %d accounts were saved from it: %s", len(g.accounts.Users), err)
		g.log.Error("console: " + g.fault.String())
	}
	return g, err
}

// isFaults reports that a file was read and is not what it should be.
func isFaults(err error) bool {
	_, ok := errors.AsType[plant.Faults](err)
	return ok
}

// current takes over a changed accounts file, and journals what changed. A
// faulty one changes nothing.
func (g *gate) current(now time.Time) {
	if g.path == "" {
		return
	}
	g.mu.Lock()
	before := g.accounts
	g.reread(now)
	text := ""
	if g.accounts != before {
		text = g.accounts.changes(before)
	}
	g.mu.Unlock()
	if text != "" {
		g.tell(plant.Event{Time: now, Kind: plant.EventAccess, Source: "calandria", Text: "accounts changed: " + text})
	}
}

// reread needs g.mu.
func (g *gate) reread(now time.Time) {
	if now.Sub(g.looked).Abs() < rereadEvery {
		return
	}
	g.looked = now
	info, err := os.Stat(g.path)
	if err == nil && info.ModTime().Equal(g.stamp) && !g.broken {
		return
	}
	var a *Accounts
	if err == nil {
		a, err = LoadAccounts(g.path)
	}
	if err != nil {
		if !g.broken {
			g.log.Error("console: the accounts file cannot be read; the accounts of before hold", "err", err)
			g.fault = words.Say("the accounts file cannot be read, the accounts of before hold: %s", err)
		}
		g.broken = true
		return
	}
	g.broken, g.fault, g.stamp, g.accounts = false, "", info.ModTime(), a
}

// still reports that an open stream may go on. Watching keeps no session alive.
func (g *gate) still(r *http.Request, now time.Time) bool {
	return g.path == "" || g.allowed(g.find(r, now, false), toLook)
}

// who finds out who makes a request, which keeps the session alive.
func (g *gate) who(r *http.Request, now time.Time) *actor {
	if g.path == "" {
		return nil
	}
	return g.find(r, now, true)
}

func (g *gate) find(r *http.Request, now time.Time, touch bool) *actor {
	g.current(now)
	g.mu.Lock()
	defer g.mu.Unlock()
	if text, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); ok {
		if name, ok := g.accounts.token(strings.TrimSpace(text), now); ok {
			return &actor{Name: name, Role: Viewer, Token: true}
		}
		return nil
	}
	c, err := r.Cookie(sessionCookie)
	if err != nil {
		return nil
	}
	key := sha256.Sum256([]byte(c.Value))
	s := g.sessions[key]
	if s == nil {
		return nil
	}
	u, ok := g.accounts.Find(s.user)
	if !ok || u.Password != s.password || now.Sub(s.seen) > g.idle {
		delete(g.sessions, key)
		return nil
	}
	if touch {
		s.seen = now
	}
	return &actor{Name: u.Name, Role: u.Role}
}

// allowed reports whether a request may do what it asks.
func (g *gate) allowed(a *actor, need right) bool {
	switch {
	case g.path == "" || need == toSignIn:
		return true
	case a == nil:
		return g.view && need == toLook
	}
	return a.Role.may(need)
}

// signIn opens a session. The answer to a wrong name and to a wrong password is
// the same, and takes as long. Wrong tries close nothing: they are answered later
// and later, and those of one address take turns; see [desk].
func (g *gate) signIn(ctx context.Context, name, password, from string, now time.Time) (token string, err error) {
	by := keysOf(name, from)
	event := plant.Event{Time: now, Kind: plant.EventAccess, Source: "calandria", User: name, Station: from}
	g.current(now)
	g.mu.Lock()
	for key, t := range g.wrong {
		if now.Sub(t.since) > wrongWindow {
			delete(g.wrong, key)
		}
	}
	lane, wrong := g.lane(by)
	stored, role, known := "", Role(""), false
	if u, ok := g.accounts.Find(name); ok {
		stored, role, name, known = u.Password, u.Role, u.Name, true
	}
	empty := len(g.accounts.Users) == 0
	g.mu.Unlock()
	if empty {
		return "", &failed{http.StatusServiceUnavailable, "The accounts file cannot be used. Make an account on the machine of the program with 'calandria user add'; 'calandria repair' explains. Alarms and notices go on."}
	}
	crowded := &failed{http.StatusServiceUnavailable, "Too many are signing in at once. Try again in a minute. Who is signed in stays so."}
	wait, cancel := context.WithTimeout(ctx, deskWait)
	defer cancel()
	if pause := g.desk.pace(lane, wrong, now); pause >= deskWait || !rest(wait, pause) {
		return "", crowded
	}
	if err := g.desk.enter(wait, by[0]+"\x00"+by[1]); err != nil {
		return "", crowded
	}
	right := verify(stored, password)
	g.desk.leave()
	if !right || !known {
		n := g.note(by, now)
		if event.Text = "sign-in refused"; n > 5 {
			event.Text = fmt.Sprintf("sign-in refused, %d times within %d minutes", n, int(wrongWindow.Minutes()))
		}
		if n <= 5 || n&(n-1) == 0 { // then with each doubling: a flood must not fill the journal
			g.tell(event)
		}
		rest(wait, min(answerFirst<<min(n-1, 10), answerMost))
		return "", &failed{http.StatusUnauthorized, "Name or password is wrong."}
	}
	token = g.open(name, stored, by, now)
	event.User, event.Text = name, "signed in as "+string(role)
	g.tell(event)
	return token, nil
}

// Fault says what of the console's own files cannot be used, "" for nothing.
func (s *Server) Fault() words.Text {
	s.gate.current(time.Now())
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	if s.cert != nil {
		if fault := s.cert.fault(); fault != "" {
			return fault
		}
	}
	return s.gate.fault
}

// keysOf are what tries are counted by.
func keysOf(name, from string) [3]string {
	name = strings.ToLower(name)
	return [3]string{"user " + name, "from " + from, "pair " + name + "\x00" + from}
}

// lane gives what a try takes turns by, and the wrong tries that slow it: those of its
// address. A name with few wrong tries is not slowed by those of others at the same
// address while these are few, and one that has signed in from there never; needs g.mu.
func (g *gate) lane(by [3]string) (key string, wrong int) {
	_, known := g.good[by[2]]
	if own := g.wrong[by[2]].count(); known || own < wrongOwn && (g.wrong[by[1]] == nil || g.wrong[by[1]].names < wrongFree) {
		return by[2], own
	}
	return by[1], g.wrong[by[1]].count()
}

// note counts a wrong try and returns how many it is of the user.
func (g *gate) note(by [3]string, now time.Time) int {
	g.mu.Lock()
	defer g.mu.Unlock()
	fresh := g.wrong[by[2]] == nil
	for _, key := range by {
		if g.wrong[key] == nil {
			g.wrong[key] = &tries{since: now}
		}
		g.wrong[key].n++
	}
	if fresh {
		g.wrong[by[1]].names++
	}
	return g.wrong[by[0]].n
}

func (g *gate) open(user, password string, by [3]string, now time.Time) (token string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	delete(g.wrong, by[0])
	g.good[by[2]] = now
	if len(g.good) > sessionsAll {
		oldest := by[2]
		for k, at := range g.good {
			if at.Before(g.good[oldest]) {
				oldest = k
			}
		}
		delete(g.good, oldest)
	}
	g.room(user, now)
	token = rand.Text()
	g.sessions[sha256.Sum256([]byte(token))] = &session{user: user, password: password, seen: now}
	return token
}

func (t *tries) count() int {
	if t == nil {
		return 0
	}
	return t.n
}

// room ends sessions that are over, and the oldest of a user with too many.
func (g *gate) room(user string, now time.Time) {
	type open struct {
		key [sha256.Size]byte
		*session
	}
	var own, all []open
	for key, s := range g.sessions {
		switch {
		case now.Sub(s.seen) > g.idle:
			delete(g.sessions, key)
		case s.user == user:
			own = append(own, open{key, s})
			fallthrough
		default:
			all = append(all, open{key, s})
		}
	}
	for _, list := range []struct {
		open []open
		most int
	}{{own, sessionsEach}, {all, sessionsAll}} {
		slices.SortFunc(list.open, func(a, b open) int { return a.seen.Compare(b.seen) })
		for i := 0; i <= len(list.open)-list.most; i++ {
			delete(g.sessions, list.open[i].key)
		}
	}
}

// signOut ends the session of a request.
func (g *gate) signOut(r *http.Request, now time.Time) {
	c, err := r.Cookie(sessionCookie)
	if err != nil {
		return
	}
	key := sha256.Sum256([]byte(c.Value))
	g.mu.Lock()
	s := g.sessions[key]
	delete(g.sessions, key)
	g.mu.Unlock()
	if s != nil {
		g.tell(plant.Event{Time: now, Kind: plant.EventAccess, Source: "calandria", User: s.user, Station: station(r), Text: "signed out"})
	}
}

// need puts the guard before a page: who may not is told so, and asked to sign
// in where that helps.
func (s *Server) need(what right, next http.HandlerFunc) http.HandlerFunc {
	return s.needs(func(*http.Request) right { return what }, next)
}

func (s *Server) needs(what func(*http.Request) right, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		a := s.gate.who(r, time.Now())
		if a != nil {
			r = r.WithContext(context.WithValue(r.Context(), actorKey{}, a))
		}
		want := what(r)
		switch {
		case s.gate.allowed(a, want):
			next(w, r)
		case a != nil:
			if r.Method != http.MethodGet && r.Method != http.MethodHead {
				s.gate.tell(plant.Event{Time: time.Now(), Kind: plant.EventAccess, Source: "calandria", User: a.Name, Station: station(r),
					Text: "refused, for want of the role " + string(least(want)) + ": " + r.URL.Path})
			}
			s.fail(w, r, http.StatusForbidden, words.Say("This needs the role %s; %s has the role %s. Nothing was changed.", least(want), a.Name, a.Role))
		case (r.Method == http.MethodGet || r.Method == http.MethodHead) && !bareAnswer(r):
			http.Redirect(w, r, "/sign-in?back="+url.QueryEscape(localPath(r.URL.RequestURI())), http.StatusSeeOther)
		default:
			w.Header().Set("WWW-Authenticate", "Bearer")
			s.fail(w, r, http.StatusUnauthorized, "Sign in first. Nothing was changed.")
		}
	}
}

// rightOfAction is what an action on an alarm needs.
func rightOfAction(r *http.Request) right {
	v, _ := verbOf(r.PathValue("action"))
	return v.right
}

// signInData is what the page for signing in shows. It stands by itself:
// nothing of the plant is on it.
type signInData struct {
	Theme, Site, Name, Back string
	Problem                 words.Text
}

func (s *Server) signInPage(w http.ResponseWriter, r *http.Request) error {
	if s.gate.path == "" {
		return notFound("This console has no accounts: everyone on this machine may use it.")
	}
	return s.showSignIn(w, r, http.StatusOK, signInData{Back: localPath(r.URL.Query().Get("back"))})
}

func (s *Server) showSignIn(w http.ResponseWriter, r *http.Request, code int, d signInData) error {
	d.Theme, d.Site = themeOf(r), s.b.House().Config.Site.Name
	return s.bare(w, r, code, "signin.html", d)
}

// bare writes a page that stands by itself, without frame.
func (s *Server) bare(w http.ResponseWriter, r *http.Request, code int, name string, data any) error {
	var buf bytes.Buffer
	if err := s.execute(&buf, s.languageOf(r), name, data); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	w.Write(buf.Bytes())
	return nil
}

func (s *Server) signIn(w http.ResponseWriter, r *http.Request) error {
	if s.gate.path == "" {
		return notFound("This console has no accounts: everyone on this machine may use it.")
	}
	given := r.Form.Get("name") // as given, also by somebody who is signed in
	d := signInData{Name: given, Back: localPath(r.PostForm.Get("back"))}
	name, err := cleanText("Name", given, maxName)
	token := ""
	if err == nil {
		token, err = s.gate.signIn(r.Context(), name, r.PostForm.Get("password"), station(r), time.Now())
	}
	if err != nil {
		code := http.StatusInternalServerError
		d.Problem = "This could not be done."
		if f, ok := errors.AsType[*failed](err); ok {
			code, d.Problem = f.code, f.message
		}
		return s.showSignIn(w, r, code, d)
	}
	s.gate.signOut(r, time.Now()) // one session a browser
	s.keep(w, r, sessionCookie, token, s.gate.idle)
	return seeOther(w, r, d.Back)
}

func (s *Server) signOut(w http.ResponseWriter, r *http.Request) error {
	s.gate.signOut(r, time.Now())
	s.keep(w, r, sessionCookie, "", -time.Second)
	return seeOther(w, r, "/sign-in")
}
