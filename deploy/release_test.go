//go:build unix

package deploy

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

func output(t *testing.T, dir, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Dir, cmd.Env = dir, append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=-trimpath")
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s%s", name, strings.Join(args, " "), err, out, &errs)
	}
	return string(out)
}

// built is the program as a release has it, from the sources in a folder.
func built(t *testing.T, source string) (file string, sum [32]byte) {
	t.Helper()
	file = filepath.Join(t.TempDir(), "calandria")
	output(t, source, "go", "build", "-buildvcs=false", "-ldflags", "-s -w -X calandria/cmd/service.stamp=v0.0.0", "-o", file, "./cmd/calandria")
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return file, sha256.Sum256(b)
}

// The same sources in two folders give the same program, byte for byte; make
// release-twice does it for the whole release, with an empty build cache.
func TestReproducible(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: builds the program twice")
	}
	elsewhere := t.TempDir()
	output(t, "..", "sh", "-c", "tar -c --exclude=node_modules --exclude=.git --exclude=./dist --exclude=./bin --exclude=./.cache . | tar -x -C "+elsewhere)
	_, here := built(t, "..")
	if _, there := built(t, elsewhere); here != there {
		t.Errorf("%x here, %x from a copy", here, there)
	}
}

// Every module in the program is listed with a licence that asks for no more than
// its text (SPDX names), for each target; licences.sh fails at any other.
func TestLicences(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: lists the modules of three targets")
	}
	for _, target := range []string{"linux/amd64", "linux/arm64", "windows/amd64"} {
		goos, arch, _ := strings.Cut(target, "/")
		list, texts, _ := strings.Cut(output(t, "..", "deploy/licences.sh", goos, arch), "\n\n=====")
		known := regexp.MustCompile(`^\S+ +\S+( (MIT|BSD-2-Clause|BSD-3-Clause|Apache-2\.0|public-domain))+$`)
		for line := range strings.Lines(list) {
			if line = strings.Join(strings.Fields(line), " "); !known.MatchString(line) {
				t.Errorf("%s: %s", target, line)
			}
		}
		for line := range strings.Lines(output(t, "..", "env", "GOOS="+goos, "GOARCH="+arch, "go", "list", "-deps", "-f", "{{with .Module}}{{if .Version}}{{.Path}} {{.Version}}{{end}}{{end}}", "./cmd/calandria")) {
			if line = strings.TrimSpace(line); line != "" && !strings.Contains(texts, " "+line+": ") {
				t.Errorf("%s: no text of %s", target, line)
			}
		}
	}
}

// systemd finds no fault with the unit, and gives it an exposure below 2.0 (of 10).
func TestUnit(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: asks systemd")
	}
	b, err := os.ReadFile("systemd/calandria.service")
	if err != nil {
		t.Fatal(err)
	}
	unit := filepath.Join(t.TempDir(), "calandria.service")
	if err := os.WriteFile(unit, bytes.ReplaceAll(b, []byte("/usr/local/bin/calandria"), []byte("/bin/true")), 0o644); err != nil {
		t.Fatal(err)
	}
	if said, err := exec.Command("systemd-analyze", "verify", "--man=no", unit).CombinedOutput(); err != nil || len(said) > 0 {
		t.Errorf("%v: %s", err, said)
	}
	if said, err := exec.Command("systemd-analyze", "security", "--no-pager", "--offline=true", "--threshold=20", unit).CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, said)
	}
}

// What the Debian package takes is there, and its scripts are sound; what it makes
// is what the unit asks for.
func TestPackage(t *testing.T) {
	b, err := os.ReadFile("package/nfpm.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`\$\{DIR\}/([^"]+)"`).FindAllStringSubmatch(string(b), -1) {
		if _, err := os.Stat(filepath.Join("..", m[1])); err != nil && m[1] != "calandria" && m[1] != "LICENCES.txt" {
			t.Error(err)
		}
	}
	unit, err := os.ReadFile("systemd/calandria.service")
	if err != nil {
		t.Fatal(err)
	}
	script, err := os.ReadFile("package/postinst")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"User=calandria", "Group=calandria", "--data /var/lib/calandria", "--config /etc/calandria/plant.yaml"} {
		_, word, _ := strings.Cut(name, "=")
		if word == "" {
			word = filepath.Dir(strings.Fields(name)[1])
		}
		if !bytes.Contains(unit, []byte(name)) || !bytes.Contains(script, []byte(strings.TrimSuffix(word, "/var/lib"))) {
			t.Errorf("%s: the unit and the package differ", name)
		}
	}
	for _, name := range []string{"postinst", "prerm"} {
		output(t, "package", "sh", "-n", name)
	}
}

// The container image is built from nothing but the program, and starts as its
// user. A machine on which no engine works says so.
func TestContainerImage(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: builds and starts a container")
	}
	store := t.TempDir()
	buildah := func(args ...string) *exec.Cmd {
		return exec.Command("buildah", append([]string{"--storage-driver", "vfs", "--root", store + "/root", "--runroot", store + "/run"}, args...)...)
	}
	if said, err := buildah("from", "--name", "probe", "scratch").CombinedOutput(); err != nil {
		t.Logf("the image is not tried: buildah does not work here: %v %s", err, said)
		return
	}
	folder := t.TempDir()
	file, _ := built(t, "..")
	for _, d := range []string{"etc/calandria", "etc/ssl/certs", "var/lib/calandria", "tmp"} {
		if err := os.MkdirAll(filepath.Join(folder, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Rename(file, filepath.Join(folder, "calandria")); err != nil {
		t.Fatal(err)
	}
	if said, err := buildah("bud", "--isolation", "chroot", "-f", "container/Containerfile", "-t", "calandria", folder).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, said)
	}
	var image struct {
		OCIv1 struct{ Config struct{ User string } }
	}
	if out, err := buildah("inspect", "--type", "image", "localhost/calandria").Output(); err != nil || json.Unmarshal(out, &image) != nil || image.OCIv1.Config.User != "65532:65532" {
		t.Fatalf("%v: %+v", err, image)
	}
	if said, err := buildah("from", "--name", "one", "localhost/calandria").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, said)
	}
	run := buildah("run", "--isolation", "chroot", "one", "--", "/calandria", "demo", "--data", "/var/lib/calandria", "--days", "0", "--listen", "127.0.0.1:0")
	run.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	out, err := run.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_ = syscall.Kill(-run.Process.Pid, syscall.SIGTERM)
		_ = run.Wait()
	}()
	hang := time.AfterFunc(2*time.Minute, func() { _ = syscall.Kill(-run.Process.Pid, syscall.SIGKILL) })
	defer hang.Stop()
	var said []byte
	for address := regexp.MustCompile(`Console\s+(http://\S+)`); ; {
		b := make([]byte, 4096)
		n, err := out.Read(b)
		said = append(said, b[:n]...)
		if m := address.FindSubmatch(said); m != nil {
			go func() { _, _ = io.Copy(io.Discard, out) }()
			for end := time.Now().Add(time.Minute); ; <-time.After(100 * time.Millisecond) {
				r, err := http.Get(string(m[1]) + "/healthz")
				if err == nil {
					b, _ = io.ReadAll(r.Body)
					r.Body.Close()
					if r.StatusCode == http.StatusOK && bytes.Contains(b, []byte(`"v0.0.0"`)) {
						return
					}
				}
				if time.Now().After(end) {
					t.Fatalf("%v %s", err, b)
				}
			}
		}
		if err != nil {
			t.Fatal(fmt.Sprint(err), string(said))
		}
	}
}
