package console

import (
	"cmp"
	"net/http"
	"net/url"
	"time"

	"calandria/console/catalog"
	"calandria/plant/words"
)

// Cookies. None is a secret: one is whether a station is dark, one
// the name that its operator gave, kept for one shift.
const (
	themeCookie = "calandria_theme"
	nameCookie  = "calandria_name"
	nameKept    = 12 * time.Hour
)

// themeOf is the look that this station has chosen: day or night, or "" to follow the
// system.
func themeOf(r *http.Request) string {
	if c, err := r.Cookie(themeCookie); err == nil && (c.Value == "night" || c.Value == "day") {
		return c.Value
	}
	return ""
}

func nameOf(r *http.Request) string {
	if a := actorOf(r); a != nil {
		return a.Name
	}
	c, err := r.Cookie(nameCookie)
	if err != nil {
		return ""
	}
	v, err := url.QueryUnescape(c.Value)
	if err != nil {
		return ""
	}
	v, err = cleanText("name", v, maxName)
	if err != nil {
		return ""
	}
	return v
}

func (s *Server) keep(w http.ResponseWriter, r *http.Request, name, value string, d time.Duration) {
	http.SetCookie(w, &http.Cookie{
		Name: name, Value: url.QueryEscape(value), Path: "/", MaxAge: int(d.Seconds()),
		HttpOnly: true, SameSite: http.SameSiteStrictMode,
		Secure: r.TLS != nil || s.proxies.origin(r).secure,
	})
}

// handler is what answers a request; an error is shown by [Server.answer].
type handler func(w http.ResponseWriter, r *http.Request) error

// handle reads the form that was posted, if any, and lets h answer.
func (s *Server) handle(h handler) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		err := readForm(r)
		if err == nil {
			err = h(w, r)
		}
		if err != nil {
			s.answer(w, r, err)
		}
	}
}

// readForm reads a posted form within the limit of its size. Who is signed in acts
// under that name, whatever the form says.
func readForm(r *http.Request) error {
	if r.Method != http.MethodPost {
		return nil
	}
	if err := r.ParseForm(); err != nil {
		if _, ok := err.(*http.MaxBytesError); ok { //nolint:errorlint // returned bare by ParseForm
			return &failed{http.StatusRequestEntityTooLarge, "The form is too large."}
		}
		return &failed{http.StatusBadRequest, "The form could not be read."}
	}
	if a := actorOf(r); a != nil {
		r.PostForm.Set("name", a.Name)
	}
	return nil
}

// who reads the name of a form; the problem is that there is none.
func who(r *http.Request) (name string, problem words.Text) {
	name, err := cleanText("Name", r.PostForm.Get("name"), maxName)
	if err != nil {
		return "", words.Of(err)
	}
	if name = cmp.Or(name, nameOf(r)); name == "" {
		problem = needsName.problem
	}
	return name, problem
}

func seeOther(w http.ResponseWriter, r *http.Request, address string) error {
	http.Redirect(w, r, address, http.StatusSeeOther)
	return nil
}

func (s *Server) setTheme(w http.ResponseWriter, r *http.Request) error {
	theme := r.PostForm.Get("theme")
	kept := 400 * 24 * time.Hour
	switch theme {
	case "day", "night":
	case "system":
		kept = -time.Second // forget
	default:
		return &failed{http.StatusBadRequest, "The theme is day, night or system."}
	}
	s.keep(w, r, themeCookie, theme, kept)
	return seeOther(w, r, localPath(r.PostForm.Get("back")))
}

// setLanguage keeps the language of a person.
func (s *Server) setLanguage(w http.ResponseWriter, r *http.Request) error {
	tag, q := r.PostForm.Get("language"), s.choice(r)
	if tag != "" && !catalog.Known(tag) {
		return &failed{http.StatusBadRequest, "There is no such language here."}
	}
	q.Set("language", tag)
	return s.choose(w, r, q)
}

func (s *Server) setName(w http.ResponseWriter, r *http.Request) error {
	if s.gate.path != "" {
		return notFound("Actions are recorded under the name that is signed in.")
	}
	name, err := cleanText("Name", r.PostForm.Get("name"), maxName)
	if err != nil {
		return err
	}
	d := nameKept
	if name == "" {
		d = -time.Second // forget
	}
	s.keep(w, r, nameCookie, name, d)
	return seeOther(w, r, localPath(r.PostForm.Get("back")))
}
