package notify

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/plant"
)

// startAlertmanager runs the real one on loopback and returns its address.
func startAlertmanager(t *testing.T) string {
	t.Helper()
	if testing.Short() {
		t.Skip("left to make test: starts a server")
	}
	bin, err := exec.LookPath("prometheus-alertmanager")
	if err != nil {
		t.Fatalf("the Alertmanager is not installed: run 'make test-deps' (%v)", err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	dir := t.TempDir()
	config := filepath.Join(dir, "alertmanager.yml")
	if err := os.WriteFile(config, []byte("route: {receiver: none}\nreceivers: [{name: none}]\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := os.Create(filepath.Join(dir, "log"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(bin, "--config.file", config, "--storage.path", filepath.Join(dir, "data"), "--web.listen-address", address, "--cluster.listen-address", "")
	cmd.Stdout, cmd.Stderr = out, out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait(); out.Close() })
	base := "http://" + address
	for range 200 {
		if res, err := http.Get(base + "/-/ready"); err == nil {
			res.Body.Close()
			if res.StatusCode == 200 {
				return base
			}
		}
		time.Sleep(50 * time.Millisecond) // a real process: there is nothing to wait on
	}
	log, _ := os.ReadFile(out.Name())
	t.Fatalf("the Alertmanager does not come up:\n%s", log)
	return ""
}

type gettable struct {
	alert
	Status struct{ State string }
}

// standing asks the Alertmanager which alerts stand.
func standing(t *testing.T, base string) map[string]gettable {
	t.Helper()
	res, err := http.Get(base + "/api/v2/alerts")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	var list []gettable
	if err := json.NewDecoder(res.Body).Decode(&list); err != nil {
		t.Fatal(err)
	}
	out := map[string]gettable{}
	for _, a := range list {
		out[a.Labels["alertname"]] = a
	}
	return out
}

func TestAlertmanager(t *testing.T) {
	base := startAlertmanager(t)
	a := NewAlertmanager(Alertmanager{Access: Access{URL: base + "/"}, Site: testSite(t)})
	send := func(ns ...Notice) {
		t.Helper()
		if err := a.Send(t.Context(), ns); err != nil {
			t.Fatal(err)
		}
	}
	since := time.Now().Add(-3 * time.Minute).UTC().Truncate(time.Millisecond)
	n := vacuum()
	n.Event.Time = since
	send(n)
	got, ok := standing(t, base)["vacuum_low"]
	if !ok || !got.StartsAt.Equal(since) || time.Until(got.EndsAt) < 50*time.Minute {
		t.Fatalf("after the alarm: %+v", got)
	}
	for k, want := range map[string]string{"alertname": "vacuum_low", "priority": "urgent", "severity": "critical", "site": "Mill (invented)",
		"set": "EV", "body": "EV1", "area": "evaporators", "source": "EV.EV1"} {
		if got.Labels[k] != want {
			t.Errorf("label %s: %q, want %q", k, got.Labels[k], want)
		}
	}
	for k, want := range map[string]string{"title": n.Spec.Title, "cause": n.Spec.Cause, "response": n.Spec.Response, "procedure": n.Spec.Procedure, "time_to_respond": "10 min", "advice": advice.String(), "journal_head": "810:3fa85f64c0de"} {
		if got.Annotations[k] != want {
			t.Errorf("annotation %s: %q, want %q", k, got.Annotations[k], want)
		}
	}
	// Repeating keeps it, and moves its end on; acknowledging changes nothing.
	status := alerting.Status{Name: "vacuum_low", Spec: n.Spec, Active: true, ActiveSince: since, Word: "acknowledged"}
	a.now = func() time.Time { return time.Now().Add(10 * time.Minute) }
	if err := a.Refresh(t.Context(), []alerting.Status{status}); err != nil {
		t.Fatal(err)
	}
	again := standing(t, base)["vacuum_low"]
	if !again.StartsAt.Equal(since) || again.EndsAt.Sub(got.EndsAt) < 9*time.Minute || again.Annotations["state"] != "acknowledged" {
		t.Errorf("after repeating: %+v", again)
	}
	a.now = time.Now
	// It returns.
	back := n
	back.Event.Kind, back.Event.Time = plant.EventReturn, time.Now()
	send(back)
	if s := standing(t, base); len(s) != 0 {
		t.Errorf("after the return: %+v", s)
	}
	// Come and gone between two deliveries: it does not stand.
	gone := vacuum()
	gone.Event.Alarm, gone.Event.Time = "short", time.Now().Add(-time.Minute)
	end := gone
	end.Event.Kind, end.Event.Time = plant.EventReturn, time.Now()
	send(gone, end)
	// An alarm that is shelved does not stand; with nothing standing, an empty
	// repetition is still a sign of life.
	pan := vacuum()
	pan.Event.Alarm, pan.Event.Source, pan.Event.Time = "pan", "PA1", time.Now().Add(-time.Minute)
	send(pan)
	if s := standing(t, base); len(s) != 1 || s["pan"].Labels["pan"] != "PA1" {
		t.Errorf("a pan's alarm: %+v", s)
	}
	status.Name, status.SuppressedOrShelved = "pan", true
	for range 2 {
		if err := a.Refresh(t.Context(), []alerting.Status{status}); err != nil {
			t.Fatal(err)
		}
		if s := standing(t, base); len(s) != 0 {
			t.Errorf("after shelving: %+v", s)
		}
	}
	// What it cannot take is a refusal, with its reason.
	if err := a.tell(t.Context(), []alert{{Labels: map[string]string{"0bad name": "x"}, StartsAt: since, EndsAt: time.Now().Add(time.Hour)}}, time.Now()); err == nil {
		t.Error("a bad label was taken")
	} else if _, ok := err.(*RefusedError); !ok {
		t.Errorf("a bad label: %v", err)
	} else {
		t.Log(fmt.Sprint("refusal: ", err))
	}
}
