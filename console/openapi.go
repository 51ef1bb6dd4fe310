package console

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
)

// apiFile describes the API (OpenAPI 3.1); its parameters are the ones that the
// handlers take.
const apiFile = "openapi.json"

// apiDescription is what the handlers need of it.
type apiDescription struct {
	Paths map[string]map[string]struct {
		Parameters []struct {
			Name, In string
			Schema   struct{ Type any }
		}
	}
}

func (s *Server) openAPI(w http.ResponseWriter, r *http.Request) {
	r.SetPathValue("file", apiFile)
	s.static(w, r)
}

// stated refuses parameters that the description of the API does not list, so that
// a slip of the pen is not an answer to another question.
func (s *Server) stated(pattern string, h http.HandlerFunc) http.HandlerFunc {
	path, ok := strings.CutPrefix(pattern, "GET ")
	op, listed := s.api.Paths[path]["get"]
	if !ok || !listed {
		return h
	}
	var known []string
	for _, p := range op.Parameters {
		if p.Schema.Type == "object" { // names of the house's own
			return h
		}
		if p.In == "query" {
			known = append(known, p.Name)
		}
	}
	return func(w http.ResponseWriter, r *http.Request) {
		for name := range r.URL.Query() {
			if !slices.Contains(known, name) {
				s.answer(w, r, badQuery("%s: there is no such parameter; there are: %s.", name, strings.Join(known, ", ")))
				return
			}
		}
		h(w, r)
	}
}

// readAPI reads the embedded description.
func (s *Server) readAPI() error { return json.Unmarshal(s.assets[apiFile].body, &s.api) }
