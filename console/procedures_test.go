package console

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
)

// Documents of the site are shown as they are, without their scripts, and no file
// that no rule names.
func TestProcedureDocuments(t *testing.T) {
	m := newMill(t, time.Now())
	for i := range m.specs {
		if a := &m.specs[i]; a.Name == "CDA_approach_high" {
			a.Topic, a.Procedure, a.Document = "venting", "Venting", "testdata/procedures/gone.pdf"
		} else if a.Name == "EV2_level_low" {
			a.Topic, a.Procedure = "loss of juice", "SITE PROCEDURE: loss of juice"
		}
	}
	h := newServer(t, m, Options{}).Handler()
	for _, c := range []struct {
		path, want string
		code       int
	}{
		{"/procedures", "Loss of vacuum, revision 4", http.StatusOK},
		{"/procedures", "Missing", http.StatusOK},
		{"/alarms/EV5_vacuum_low", `href="/procedures/vacuum%20loss"`, http.StatusOK},
		{"/procedures/vacuum%20loss", "# Loss of vacuum", http.StatusOK},
		{"/procedures/venting", "printed copy", http.StatusNotFound},
		{"/procedures/..%2f..%2fetc%2fpasswd", "no such procedure", http.StatusNotFound},
	} {
		w := ask(h, http.MethodGet, c.path, "", nil)
		if w.Code != c.code || !strings.Contains(w.Body.String(), c.want) {
			t.Errorf("%s: %d, no %q in %.300s", c.path, w.Code, c.want, w.Body.String())
		}
	}
	// The list to fill in is a rule file, with the topic that lacks a document and not the other.
	list := get(t, h, "/procedures.yaml", http.StatusOK)
	var read struct {
		Procedures map[string]struct{ Title, Revision, Document string }
	}
	if err := yaml.Unmarshal([]byte(list), &read); err != nil || read.Procedures["loss of juice"].Title != "loss of juice" || strings.Contains(list, "vacuum loss") {
		t.Errorf("the list to fill in: %v\n%s", err, list)
	}
	w := ask(h, http.MethodGet, "/procedures/vacuum%20loss", "", nil)
	if !strings.Contains(w.Header().Get("Content-Security-Policy"), "script-src 'none'") || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/plain") {
		t.Errorf("headers %v", w.Header())
	}
}
