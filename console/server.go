package console

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"log/slog"
	"mime"
	"net"
	"net/http"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/klauspost/compress/gzhttp"
	"github.com/klauspost/compress/gzip"

	"calandria/console/catalog"
	"calandria/engine/setup"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
)

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed static
var staticFiles embed.FS

// Limits on what one request may ask for.
const (
	maxBody        = 16 << 10 // bytes of a form
	maxQuery       = 4 << 10  // bytes of a query
	maxPath        = 512      // bytes of a path
	defaultStreams = 500      // live pages at once
	trendSlots     = 4        // archive queries at once; more wait
	trendTimeout   = 10 * time.Second
	streamWrite    = 5 * time.Second // a client that does not read is dropped
	beatEvery      = time.Second
	repaintEvery   = 500 * time.Millisecond // at most two repaints a second
	urgentEvery    = 100 * time.Millisecond // of what is in the journal
)

// Options of a console. The zero value is usable.
type Options struct {
	// Listen is host:port; default 127.0.0.1:8420.
	Listen string `yaml:"listen"`
	// BehindProxy states that a proxy in front does TLS and sign-in. Without
	// it only loopback addresses are served.
	BehindProxy bool `yaml:"behind_proxy"`
	// Proxies are the addresses (10.0.0.7, or 10.0.0.0/24) whose X-Forwarded-For and
	// X-Forwarded-Proto are believed, the last entry of the former. Empty: none are.
	Proxies []string `yaml:"proxies"`
	// Hosts are further names under which the pages may be asked for, besides
	// the loopback ones and the host of Listen. Requests for another host are
	// refused, so that a foreign web page cannot point its own name here.
	// Behind a proxy an empty list accepts every name.
	Hosts []string `yaml:"hosts"`
	// Accounts is the file with the accounts, see [LoadAccounts]. Empty: no
	// sign-in, everyone may do everything and says who he is.
	Accounts string `yaml:"accounts"`
	// OpenView lets everyone look; only actions need an account.
	OpenView bool `yaml:"open_view"`
	// Display is how the site has figures shown; a person may choose otherwise.
	Display Look `yaml:"display"`
	// Targets are what the site wants, by the path of a tag.
	Targets map[string]Target `yaml:"targets"`
	// Reports are made by a schedule.
	Reports []ReportOrder `yaml:"reports"`
	// Mail sends a file by the notifier of that name; nil: this program sends none.
	Mail func(ctx context.Context, notifier, subject, name, kind string, data []byte) error
	// Idle is how long a session lasts without a request; default 12 h.
	Idle time.Duration `yaml:"session_idle"`
	// Journal takes the events of signing in and out, and of what was refused.
	Journal func(plant.Event)
	// Certificate and Key are PEM files for TLS; empty: none. They are read
	// again when they change.
	Certificate string `yaml:"tls_certificate"`
	Key         string `yaml:"tls_key"`
	// Logger for faults; nil is silent.
	Logger *slog.Logger
	// Version stands at the foot of every page.
	Version string
	// Acknowledge reads the token of a link with which a notice is acknowledged: of
	// which alarm and occurrence, and who got it. With use the link is used from then
	// on. Nil: there are no such links.
	Acknowledge func(token string, now time.Time, use bool) (alarm string, occurrence uint64, who string, err error)
	// Browse lists what of an OPC UA server can be a signal; a password is kept in a file,
	// which it names in server. Nil: this program cannot.
	Browse func(ctx context.Context, server *plant.ServerConfig, password string) ([]setup.Node, error)
	// WritePlant writes a first plant file, and the rule library beside it. What is there
	// stays as it is: the error is then [os.ErrExist].
	WritePlant func(file, text string) error
	// Library is that rule library.
	Library []rules.File
	// Metrics serves /metrics; nil: no such page.
	Metrics http.Handler
	// MaxStreams caps the live pages open at once; default 500. When all are
	// taken the stations share them.
	MaxStreams int `yaml:"streams"`
}

// Server is the console. Make it with [New].
type Server struct {
	b         Backend
	opt       Options
	log       *slog.Logger
	spoken    []spoken
	languages []*catalog.Language // as this look has them
	tmpl      map[*catalog.Language]func() (*template.Template, error)
	assets    map[string]asset
	handler   http.Handler
	pages     http.Handler // as this look has them
	site      *time.Location
	zone      *time.Location // of times on pages
	zoneTag   string
	look      Look
	lookKey   string // of what is kept in words
	units     shownUnits
	looks     *looks
	choices   *choices

	streams  *seats // of live pages
	proxies  proxies
	trends   chan struct{} // one token an archive query
	stopping chan struct{}
	stopOnce *sync.Once
	tails    *tailCache
	drawn    *drawnParts
	beaten   *beaten
	answers  *keptAnswers
	api      apiDescription
	draft    *draft
	gate     *gate
	cert     *certificate // nil: no TLS
}

type asset struct {
	body []byte
	kind string
	hash string
}

// defaultListen is where the console listens if nothing else is said.
const defaultListen = "127.0.0.1:8420"

// Check says what New would refuse of the address, the certificate and the
// accounts, without a console: for a look at a configuration before it runs.
func Check(opt Options) error {
	opt.Listen = cmp.Or(opt.Listen, defaultListen)
	opt.Logger = slog.New(slog.DiscardHandler)
	_, _, err := opt.secure(opt.Logger)
	return err
}

// secure checks the address and reads accounts and certificate, as far as there
// are any.
func (opt *Options) secure(log *slog.Logger) (*gate, *certificate, error) {
	host, _, err := net.SplitHostPort(opt.Listen)
	if err != nil {
		return nil, nil, fmt.Errorf("console address %q: write host:port, such as %s: %w", opt.Listen, defaultListen, err)
	}
	switch secured := opt.Certificate != "" && opt.Key != ""; {
	case opt.Certificate != "" != (opt.Key != ""):
		return nil, nil, errors.New("console: TLS needs both a certificate and a key")
	case loopback(host) || opt.BehindProxy:
	case !secured || opt.Accounts == "":
		return nil, nil, fmt.Errorf("console address %q is not a loopback address: give the console accounts and a TLS certificate, state that a proxy in front does sign-in and TLS (behind_proxy: true), or listen on 127.0.0.1", opt.Listen)
	}
	g, gateFault := newGate(opt)
	if opt.Certificate == "" {
		return g, nil, gateFault
	}
	c, err := loadCertificate(opt.Certificate, opt.Key, log)
	return g, c, errors.Join(gateFault, err)
}

// New makes a console. It starts nothing and opens nothing. The error says
// what is wrong with the options or the site's time zone.
func New(b Backend, opt Options) (*Server, error) {
	opt.Listen = cmp.Or(opt.Listen, defaultListen)
	if opt.MaxStreams <= 0 {
		opt.MaxStreams = defaultStreams
	}
	s := &Server{
		b: b, opt: opt, log: opt.Logger,
		streams:  &seats{most: opt.MaxStreams},
		trends:   make(chan struct{}, trendSlots),
		stopping: make(chan struct{}),
		assets:   map[string]asset{},
		looks:    &looks{}, choices: &choices{of: map[string]string{}}, stopOnce: &sync.Once{}, tails: &tailCache{}, drawn: &drawnParts{}, beaten: &beaten{}, answers: &keptAnswers{}, draft: &draft{},
	}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	var err error
	// Files that cannot be used are told by Fault: the program watches without them.
	if s.gate, s.cert, err = opt.secure(s.log); s.gate == nil {
		return nil, err
	}
	if s.proxies, err = proxiesOf(opt.Proxies); err != nil {
		return nil, fmt.Errorf("console.proxies: %w", err)
	}
	zone := b.House().Config.Site.TimeZone
	if s.site, err = time.LoadLocation(zone); err != nil {
		return nil, fmt.Errorf("console: site.time_zone: %w", err)
	}
	if err := errors.Join(s.loadAssets(), s.readAPI()); err != nil {
		return nil, fmt.Errorf("console: read embedded files: %w", err)
	}
	all, err := catalog.All()
	if err != nil {
		return nil, fmt.Errorf("console: read the languages: %w", err)
	}
	s.speak(all)
	if err := s.dress(opt.Display); err != nil {
		return nil, err
	}
	byLook := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { s.seenBy(r).pages.ServeHTTP(w, r) })
	if s.handler, err = compressed(s.protect(byLook)); err != nil {
		return nil, fmt.Errorf("console: compression: %w", err)
	}
	return s, nil
}

// compressed serves pages, scripts and the API compressed to who takes it. A live
// page that waits keeps no state of the compression: there may be hundreds.
func compressed(h http.Handler) (http.Handler, error) {
	whole, err1 := gzhttp.NewWrapper(gzhttp.MinSize(500))
	live, err2 := gzhttp.NewWrapper(gzhttp.MinSize(500), gzhttp.CompressionLevel(gzip.StatelessCompression))
	if err := errors.Join(err1, err2); err != nil {
		return nil, err
	}
	pages, streams := whole(h), live(h)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/stream" {
			streams(w, r)
			return
		}
		pages(w, r)
	}), nil
}

// indent is what the layout of a template adds to a page, and nobody sees.
var indent = regexp.MustCompile(`\s*\n\s*`)

// spoken is a language and the pages in it, which are read when first asked for.
type spoken struct {
	*catalog.Language
	pages func() (*template.Template, error)
}

func (s *Server) speak(all []*catalog.Language) {
	s.spoken = nil
	for _, l := range all {
		s.spoken = append(s.spoken, spoken{l, sync.OnceValues(func() (*template.Template, error) { return s.pagesIn(l) })})
	}
}

// pagesIn are the templates in a language.
func (s *Server) pagesIn(l *catalog.Language) (*template.Template, error) {
	files, err := fs.Glob(templateFiles, "templates/*.html")
	t := template.New("").Funcs(s.functions(l))
	for _, name := range files {
		body, fault := templateFiles.ReadFile(name)
		if fault == nil {
			_, fault = t.New(path.Base(name)).Parse(inLanguage(indent.ReplaceAllString(string(body), "\n"), l.Plain))
		}
		err = errors.Join(err, fault)
	}
	return t, err
}

// functions are those of the templates in a language.
func (s *Server) functions(l *catalog.Language) template.FuncMap {
	return template.FuncMap{"asset": s.assetURL, "mark": markOf, "words": wordsIn(l), "printf": l.Printf, "toCheck": toCheckIn(l),
		"brief": func(t words.Text) string { return brief(l.Say(t)) }, "language": func() *catalog.Language { return l }, "scriptWords": s.scriptWords(l)}
}

// execute writes a template in a language.
func (s *Server) execute(w io.Writer, l *catalog.Language, name string, data any) error {
	t, err := s.tmpl[l]()
	if err != nil {
		return err
	}
	return t.ExecuteTemplate(w, name, data)
}

// Handler returns the pages, for a listener of the caller's own.
func (s *Server) Handler() http.Handler { return s.handler }

// Run listens on the configured address until ctx ends, then lets running
// requests finish for five seconds.
func (s *Server) Run(ctx context.Context) error {
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", s.opt.Listen)
	if err != nil {
		return fmt.Errorf("console: listen on %s: %w", s.opt.Listen, err)
	}
	return s.Serve(ctx, l)
}

// Serve is Run on a listener that is open already; it closes it.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	srv := &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       10 * time.Second,
		WriteTimeout:      30 * time.Second, // streams set their own
		IdleTimeout:       60 * time.Second,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
	}
	done := make(chan error, 1)
	go func() {
		if s.cert == nil {
			done <- srv.Serve(l)
			return
		}
		srv.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: s.cert.get}
		done <- srv.ServeTLS(l, "", "")
	}()
	select {
	case err := <-done:
		return fmt.Errorf("console: serve: %w", err)
	case <-ctx.Done():
	}
	s.stopOnce.Do(func() { close(s.stopping) }) // ends the live streams
	grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	err := srv.Shutdown(grace)
	<-done
	if err != nil {
		return fmt.Errorf("console: stop: %w", err)
	}
	return nil
}

func (s *Server) routes() *http.ServeMux {
	m := http.NewServeMux()
	// Every page states what right it needs; what is not listed is not served.
	on := func(pattern string, what right, h http.HandlerFunc) {
		m.HandleFunc(pattern, s.need(what, s.stated(pattern, h)))
	}
	on("GET /{$}", toLook, s.page(s.housePage))
	on("GET /vessel/{path}", toLook, s.page(s.vesselPage))
	on("GET /wall", toLook, s.page(s.wallPage))
	on("GET /alarms", toLook, s.page(s.alarmsPage))
	on("GET /alarms/{name}", toLook, s.page(s.alarmPage))
	on("GET /alarms/next", toLook, s.handle(s.nextAlarm))
	on("GET /alarms/{name}/{action}", toLook, s.handle(s.alarmOfAction))
	m.HandleFunc("POST /alarms/{name}/{action}", s.needs(rightOfAction, s.handle(s.command)))
	on("POST /alarms", toAct, s.handle(s.commandMany))
	on("GET /search", toLook, s.page(s.searchPage))
	on("GET /trends", toLook, s.page(s.trendsPage))
	on("POST /trends/views", toAct, s.handle(s.keepView))
	on("GET /cleaning", toLook, s.page(s.cleaningWithPlan))
	on("GET /whatif", toLook, s.page(s.whatIfPage))
	on("POST /cleaning/record", toAct, s.handle(s.recordCleaning))
	on("POST /cleaning/planned", toAct, s.handle(s.declare))
	on("GET /cleaning/plan.csv", toLook, s.planFile(false))
	on("GET /cleaning/plan.ics", toLook, s.planFile(true))
	on("GET /pans", toLook, s.page(s.pansPage))
	on("GET /strikes/{id}", toLook, s.page(s.strikePage))
	running := s.page(s.runningPage)
	on("GET /pans/{pan}/running", toLook, func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Refresh", "30") // seconds: a profile grows by a point in two minutes
		running(w, r)
	})
	on("GET /strikes/{id}/profile.csv", toLook, s.handle(s.profileCSV))
	on("POST /strikes/{id}/reference", toAct, s.handle(s.chooseReference))
	on("POST /strikes/{id}/laboratory", toAct, s.handle(s.recordPurities))
	on("POST /strikes/reference/clear", toAct, s.handle(s.clearReference))
	on("GET /strikes.csv", toLook, s.handle(s.strikesCSV))
	on("GET /record", toLook, s.page(s.recordPage))
	on("GET /record/journal.csv", toLook, s.handle(s.journalCSV))
	on("GET /record/measures", toLook, s.page(s.measuresPage))
	on("GET /record/report", toLook, s.handle(s.reportFile))
	on("GET /record/shift", toLook, s.page(s.shiftPage))
	on("POST /record/note", toAct, s.handle(s.addNote))
	on("POST /record/tasks/{seq}/done", toAct, s.handle(s.taskDone))
	on("GET /past", toLook, s.page(s.pastPage))
	on("POST /past/correct", toTry, s.handle(s.correct))
	on("POST /past/corrections/{id}/withdraw", toTry, s.handle(s.withdraw))
	on("POST /past/recalculate", toTry, s.handle(s.recalculate))
	on("POST /past/jobs/{id}/cancel", toTry, s.handle(s.cancelJob))
	on("GET /instruments", toLook, s.page(s.instrumentsPage))
	on("GET /setup", toTry, s.page(s.setupPage))
	on("POST /setup", toTry, s.handle(s.beginSetup))
	on("POST /setup/signals", toTry, s.handle(s.chooseSignals))
	on("POST /setup/write", toTry, s.handle(s.writeSetup))
	on("GET /rules", toLook, s.page(s.rulesPage))
	on("GET /rules/{name}", toLook, s.page(s.rulePage))
	on("POST /rules/{name}/try", toTry, s.handle(s.tryRule))
	on("POST /rules/{name}/try/stop", toTry, s.handle(s.stopTrial))
	on("POST /theme", toSignIn, s.handle(s.setTheme))
	on("GET /look", toLook, s.page(s.lookPage))
	on("POST /look", toLook, s.handle(s.setLook))
	on("POST /language", toSignIn, s.handle(s.setLanguage))
	on("POST /name", toAct, s.handle(s.setName))
	on("GET /procedures", toLook, s.page(s.proceduresPage))
	on("GET /procedures.yaml", toLook, s.handle(s.proceduresFile))
	on("GET /procedures/{topic}", toLook, s.handle(s.procedureDocument))
	on("GET /stream", toLook, s.stream)
	on("GET /api/v1/picture", toLook, s.handle(s.apiPicture))
	on("GET /api/v1/tags", toLook, s.handle(s.apiTags))
	on("GET /api/v1/series", toLook, s.handle(s.apiSeries))
	on("GET /api/v1/marks", toLook, s.handle(s.apiMarks))
	on("GET /api/v1/views", toLook, s.handle(s.apiViews))
	on("GET /api/v1/openapi.json", toLook, s.openAPI)
	on("GET /api/v1/events", toLook, s.handle(s.apiEvents))
	on("GET /api/v1/cleaning", toLook, s.handle(s.apiCleaning))
	on("GET /api/v1/planned", toLook, s.handle(s.apiPlanned))
	on("POST /api/v1/planned", toAct, s.handle(s.apiPlanned))
	on("GET /api/v1/whatif", toLook, s.handle(s.apiWhatIf))
	on("GET /api/v1/strikes", toLook, s.handle(s.apiStrikes))
	on("GET /api/v1/strikes/{id}", toLook, s.handle(s.apiStrike))
	on("GET /healthz", toSignIn, s.healthz)
	on("GET /static/{file...}", toSignIn, s.static)
	on("GET /acknowledge/{token}", toSignIn, s.handle(s.linkPage))
	on("POST /acknowledge/{token}", toSignIn, s.handle(s.acknowledgeByLink))
	on("GET /sign-in", toSignIn, s.handle(s.signInPage))
	on("POST /sign-in", toSignIn, s.handle(s.signIn))
	on("POST /sign-out", toSignIn, s.handle(s.signOut))
	if s.opt.Metrics != nil {
		on("GET /metrics", toLook, s.opt.Metrics.ServeHTTP)
	}
	on("/", toLook, func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			s.fail(w, r, http.StatusMethodNotAllowed, "This address only shows a page; it accepts no data.")
			return
		}
		s.fail(w, r, http.StatusNotFound, "There is no such page.")
	})
	return m
}

// protect puts the guards that every request passes in front of the pages.
func (s *Server) protect(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, http.StatusForbidden, "The request came from another site and was refused. Nothing was changed.")
	}))
	next = cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			if p := recover(); p != nil {
				if p == http.ErrAbortHandler { //nolint:errorlint // the server's own sentinel
					panic(p)
				}
				s.log.Error("console: page failed", "path", r.URL.Path, "panic", p)
				s.fail(w, r, http.StatusInternalServerError, "This page could not be made. The fault is in the log; alarms and recording go on.")
			}
		}()
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		h.Set("Cache-Control", "no-store")
		if r.TLS != nil {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		switch {
		case !s.hostAllowed(r.Host):
			s.fail(w, r, http.StatusMisdirectedRequest, "This console is not served under that name.")
			return
		case len(r.URL.RawQuery) > maxQuery || len(r.URL.Path) > maxPath:
			s.fail(w, r, http.StatusRequestURITooLong, "The address is too long.")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), cameKey{}, s.proxies.origin(r))))
	})
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(strings.Trim(host, "[]"))
	return ip != nil && ip.IsLoopback()
}

func (s *Server) hostAllowed(hostport string) bool {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	if loopback(host) || slices.Contains(s.opt.Hosts, host) {
		return true
	}
	if listen, _, _ := net.SplitHostPort(s.opt.Listen); listen != "" && host == listen {
		return true
	}
	return s.opt.BehindProxy && len(s.opt.Hosts) == 0
}

func (s *Server) loadAssets() error {
	return fs.WalkDir(staticFiles, "static", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		body, err := staticFiles.ReadFile(p)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(body)
		kind := mime.TypeByExtension(path.Ext(p))
		switch path.Ext(p) { // do not depend on the machine's own table
		case ".js":
			kind = "text/javascript; charset=utf-8"
		case ".css":
			kind = "text/css; charset=utf-8"
		case ".json":
			kind = "application/json; charset=utf-8"
		case ".svg":
			kind = "image/svg+xml"
		case ".md", ".LICENSE":
			kind = "text/plain; charset=utf-8"
		}
		s.assets[strings.TrimPrefix(p, "static/")] = asset{body: body, kind: kind, hash: hex.EncodeToString(sum[:6])}
		return nil
	})
}

// assetURL names an embedded file with a mark of its content. A name that does
// not exist stops the page, which a test would notice.
func (s *Server) assetURL(name string) (string, error) {
	a, ok := s.assets[name]
	if !ok {
		return "", fmt.Errorf("no embedded file %s", name)
	}
	return "/static/" + name + "?v=" + a.hash, nil
}

func (s *Server) static(w http.ResponseWriter, r *http.Request) {
	a, ok := s.assets[r.PathValue("file")]
	if !ok {
		s.fail(w, r, http.StatusNotFound, "There is no such file.")
		return
	}
	h := w.Header()
	h.Set("Content-Type", a.kind)
	h.Set("ETag", `"`+a.hash+`"`)
	if r.URL.Query().Get("v") == a.hash {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	} else {
		h.Set("Cache-Control", "no-cache")
	}
	if n, err := strconv.ParseUint(r.URL.Query().Get("n"), 10, 8); err == nil { // an icon with a number
		h.Del("ETag")
		a.body = bytes.Replace(a.body, []byte(">0<"), fmt.Appendf(nil, ">%d<", n), 1)
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(a.body))
}

type errorData struct {
	Code           int
	Title, Message words.Text
	Theme          string
}

// fail answers with a plain page that says nothing of paths, queries or
// stacks.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, code int, message words.Text) {
	if bareAnswer(r) {
		writeJSON(w, code, map[string]string{"error": message.String()})
		return
	}
	data := errorData{code, words.Text(http.StatusText(code)), message, themeOf(r)}
	var body []byte
	var err error
	if code < http.StatusInternalServerError && s.gate.allowed(actorOf(r), toLook) {
		// The alarm strip stands on this page too.
		body, err = s.compose(r, &view{Template: "error.html", Title: words.Text(http.StatusText(code)), Data: data}, s.b.Picture(), time.Now(), "")
	}
	if body == nil { // a fault of ours: lean on nothing
		var buf bytes.Buffer
		if bare := s.execute(&buf, s.languageOf(r), "bare.html", data); bare != nil {
			err = errors.Join(err, bare)
			buf.WriteString(template.HTMLEscapeString(message.String()))
		}
		body = buf.Bytes()
	}
	if err != nil {
		s.log.Error("console: error page", "err", err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	w.Write(body)
}

// bareAnswer reports that a program asks, and wants no page.
func bareAnswer(r *http.Request) bool {
	return strings.HasPrefix(r.URL.Path, "/api/") || r.URL.Path == "/healthz" || r.URL.Path == "/stream" || r.URL.Path == "/metrics"
}

// failed is an error whose message may be shown.
type failed struct {
	code    int
	message words.Text
}

func (f *failed) Error() string { return f.message.String() }

func notFound(message words.Text) error { return &failed{http.StatusNotFound, message} }

// answer shows an error: its own message if it is a *failed, otherwise a
// general one, with the details in the log only.
func (s *Server) answer(w http.ResponseWriter, r *http.Request, err error) {
	if f, ok := errors.AsType[*failed](queryFault(err)); ok {
		s.fail(w, r, f.code, f.message)
		return
	}
	if errors.Is(err, context.DeadlineExceeded) {
		text := words.Text("The archive took too long to answer. Ask for a shorter span.")
		if r.Method == http.MethodPost {
			text = "The program did not answer in time: look whether it was done before you try again."
		}
		s.fail(w, r, http.StatusServiceUnavailable, text)
		return
	}
	if !errors.Is(err, context.Canceled) {
		s.log.Error("console: request failed", "path", r.URL.Path, "err", err)
	}
	s.fail(w, r, http.StatusInternalServerError, "This could not be done. The fault is in the log; alarms and recording go on.")
}
