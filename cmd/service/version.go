package service

import (
	"runtime"
	"runtime/debug"

	"github.com/prometheus/client_golang/prometheus"
)

// nameless is the version of a program that does not know it.
const nameless = "development build"

// stamp is the version that `make build` writes into the program. It is empty in a
// program built in another way.
var stamp string

// Version names the source that the program was built from: the stamp, else the
// version of the module, else the commit. "development build" where none of them is
// there, as with go run.
func Version() string {
	info, _ := debug.ReadBuildInfo()
	return VersionFrom(stamp, info)
}

func VersionFrom(stamp string, info *debug.BuildInfo) string {
	if stamp != "" {
		return stamp
	}
	if info == nil {
		return nameless
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	set := map[string]string{}
	for _, s := range info.Settings {
		set[s.Key] = s.Value
	}
	commit := set["vcs.revision"]
	switch {
	case commit == "":
		return nameless
	case set["vcs.modified"] == "true":
		return commit[:min(12, len(commit))] + "-dirty"
	default:
		return commit[:min(12, len(commit))]
	}
}

// BuildInfo is a metric that is always 1; its labels say which program this is.
func BuildInfo() prometheus.Collector {
	g := prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "calandria_build_info", Help: "Always 1. The labels give the version of the program and of Go.",
		ConstLabels: prometheus.Labels{"version": Version(), "goversion": runtime.Version()},
	})
	g.Set(1)
	return g
}
