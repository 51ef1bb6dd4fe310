package main

import (
	"bytes"
	"context"
	"runtime/debug"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"

	"calandria/cmd/service"
)

func TestVersion(t *testing.T) {
	commit := debug.BuildSetting{Key: "vcs.revision", Value: "0123456789abcdef0123"}
	for _, x := range []struct {
		name, stamp string
		info        *debug.BuildInfo
		want        string
	}{
		{"stamped", "v1.2.3", &debug.BuildInfo{Main: debug.Module{Version: "v9"}}, "v1.2.3"},
		{"installed as a module", "", &debug.BuildInfo{Main: debug.Module{Version: "v1.0.0"}}, "v1.0.0"},
		{"built from a commit", "", &debug.BuildInfo{Main: debug.Module{Version: "(devel)"}, Settings: []debug.BuildSetting{commit}}, "0123456789ab"},
		{"built from altered sources", "", &debug.BuildInfo{Settings: []debug.BuildSetting{commit, {Key: "vcs.modified", Value: "true"}}}, "0123456789ab-dirty"},
		{"nothing known", "", &debug.BuildInfo{Main: debug.Module{Version: "(devel)"}}, "development build"},
		{"no build information", "", nil, "development build"},
	} {
		if got := service.VersionFrom(x.stamp, x.info); got != x.want {
			t.Errorf("%s: %s, want %s", x.name, got, x.want)
		}
	}
	var out, errOut bytes.Buffer
	if code := run(context.Background(), []string{"version"}, &out, &errOut); code != 0 || !strings.HasPrefix(out.String(), "calandria "+service.Version()+" (go") {
		t.Errorf("exit code %d, %q, %q", code, out.String(), errOut.String())
	}
	reg := prometheus.NewRegistry()
	reg.MustRegister(service.BuildInfo())
	families, err := reg.Gather()
	if err != nil || len(families) != 1 || families[0].GetName() != "calandria_build_info" || families[0].GetMetric()[0].GetGauge().GetValue() != 1 {
		t.Errorf("%v, %v", families, err)
	}
}
