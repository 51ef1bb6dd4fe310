package console

import (
	"net/http"
	"net/url"
	"time"

	"calandria/console/catalog"
)

// Cookies. None is a secret: two are the look and the language of a station, one
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

// form reads a posted form within the limit of its size. Who is signed in acts
// under that name, whatever the form says.
func (s *Server) form(w http.ResponseWriter, r *http.Request) bool {
	err := r.ParseForm()
	if err == nil {
		if a := actorOf(r); a != nil {
			r.PostForm.Set("name", a.Name)
		}
		return true
	}
	if _, ok := err.(*http.MaxBytesError); ok { //nolint:errorlint // returned bare by ParseForm
		s.fail(w, r, http.StatusRequestEntityTooLarge, "The form is too large.")
	} else {
		s.fail(w, r, http.StatusBadRequest, "The form could not be read.")
	}
	return false
}

func (s *Server) setTheme(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	theme := r.PostForm.Get("theme")
	kept := 400 * 24 * time.Hour
	switch theme {
	case "day", "night":
	case "system":
		kept = -time.Second // forget
	default:
		s.fail(w, r, http.StatusBadRequest, "The theme is day, night or system.")
		return
	}
	s.keep(w, r, themeCookie, theme, kept)
	http.Redirect(w, r, localPath(r.PostForm.Get("back")), http.StatusSeeOther)
}

// setLanguage keeps the language of a station.
func (s *Server) setLanguage(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	tag, kept := r.PostForm.Get("language"), 400*24*time.Hour
	if tag == "" {
		kept = -time.Second // forget
	} else if !catalog.Known(tag) {
		s.fail(w, r, http.StatusBadRequest, "There is no such language here.")
		return
	}
	s.keep(w, r, languageCookie, tag, kept)
	http.Redirect(w, r, localPath(r.PostForm.Get("back")), http.StatusSeeOther)
}

func (s *Server) setName(w http.ResponseWriter, r *http.Request) {
	if s.gate.path != "" {
		s.fail(w, r, http.StatusNotFound, "Actions are recorded under the name that is signed in.")
		return
	}
	if !s.form(w, r) {
		return
	}
	name, err := cleanText("Name", r.PostForm.Get("name"), maxName)
	if err != nil {
		s.answer(w, r, err)
		return
	}
	d := nameKept
	if name == "" {
		d = -time.Second // forget
	}
	s.keep(w, r, nameCookie, name, d)
	http.Redirect(w, r, localPath(r.PostForm.Get("back")), http.StatusSeeOther)
}
