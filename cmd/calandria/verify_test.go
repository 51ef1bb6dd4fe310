package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"calandria/cmd/service"
	"calandria/historian/journal"
	"calandria/plant"
)

// The command finds what needs an anchor to be found, from a noted line and from a file.
func TestVerifyCommand(t *testing.T) {
	dir := t.TempDir()
	at := time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	write := func(folder string, n int, word string) journal.Anchor {
		t.Helper()
		if err := os.MkdirAll(folder, 0o750); err != nil {
			t.Fatal(err)
		}
		j, err := journal.Open(filepath.Join(folder, "journal.db"))
		if err != nil {
			t.Fatal(err)
		}
		defer j.Close()
		for i := range n {
			if _, err := j.Append([]plant.Event{{Time: at.Add(time.Duration(i) * time.Minute), Kind: plant.EventNote, Text: fmt.Sprint(word, i)}}, journal.State{}); err != nil {
				t.Fatal(err)
			}
		}
		rules := filepath.Join(folder, "rules.yaml")
		if err := os.WriteFile(rules, []byte("a"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := j.RecordFiles(map[string][]byte{rules: []byte("b")}, at); err != nil {
			t.Fatal(err)
		}
		key, err := journal.Key(dir)
		if err != nil {
			t.Fatal(err)
		}
		return j.Anchor("house", key, at)
	}
	verify := func(c verifyCmd) (string, error) {
		var out bytes.Buffer
		err := c.Run(&app{ctx: t.Context(), out: &out, errOut: io.Discard, log: slog.New(slog.DiscardHandler)})
		return out.String(), err
	}
	whole, remade, short := filepath.Join(dir, "true"), filepath.Join(dir, "remade"), filepath.Join(dir, "short")
	anchor := write(whole, 8, "note ")
	write(remade, 8, "another ")
	write(short, 3, "note ")
	file := filepath.Join(dir, "kept.jsonl")
	line, _ := json.Marshal(anchor)
	if err := service.AppendLine(file, line); err != nil {
		t.Fatal(err)
	}
	expect := fmt.Sprintf("%d:%s", anchor.Seq, anchor.Hash[:12])
	out, err := verify(verifyCmd{Data: whole, Expect: []string{expect}, Anchors: file})
	if err != nil || !strings.Contains(out, "9 entries, none altered") || !strings.Contains(out, "1 anchors fit") || !strings.Contains(out, "rules.yaml is not as it was in force at line 9") {
		t.Errorf("%v %s", err, out)
	}
	for folder, want := range map[string]string{remade: "made anew", short: "its end was cut off"} {
		if _, err := verify(verifyCmd{Data: folder}); err != nil {
			t.Errorf("%s: found without an anchor: %v", folder, err)
		}
		for _, c := range []verifyCmd{{Data: folder, Expect: []string{expect}}, {Data: folder, Anchors: file}} {
			if _, err := verify(c); err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v", folder, err)
			}
		}
	}
	if _, err := verify(verifyCmd{Data: whole, Anchors: file, Key: "AAAA"}); err == nil || !strings.Contains(err.Error(), "not signed with the key AAAA") {
		t.Errorf("another key: %v", err)
	}
	if err := service.AppendLine(file, bytes.Replace(line, []byte(`"seq":9`), []byte(`"seq":8`), 1)); err != nil {
		t.Fatal(err)
	}
	if _, err := verify(verifyCmd{Data: whole, Anchors: file}); err == nil || !strings.Contains(err.Error(), "kept.jsonl:2") {
		t.Errorf("a forged anchor: %v", err)
	}
	if _, err := verify(verifyCmd{Data: whole, Expect: []string{"nine"}}); err == nil {
		t.Error("nine is taken for a line")
	}
}
