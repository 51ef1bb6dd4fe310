// Package influx forwards every value of the archive to an InfluxDB v2 write API.
package influx

import (
	"strings"

	"calandria/plant"
	"calandria/plant/words"
)

// Config is the section influxdb: of the plant file: every value is forwarded
// to an InfluxDB v2 write API.
type Config struct {
	URL       string `yaml:"url"`
	Org       string `yaml:"org"`
	Bucket    string `yaml:"bucket"`
	TokenFile string `yaml:"token_file"`
}

const section = "influxdb"

// Part is the section influxdb: of the plant file.
func Part() plant.Part { return plant.Part{Key: section, Into: &Config{}, Check: check} }

// Of is what the plant file says of InfluxDB; nil if it says nothing.
func Of(h *plant.House) *Config {
	x, ok := h.Part(section).(*Config)
	if !ok || !h.Document.Has(section) {
		return nil
	}
	return x
}

func check(h *plant.House, fault func(field string, problem, fix words.Text)) {
	x := Of(h)
	if x == nil {
		return
	}
	if !strings.HasPrefix(x.URL, "http://") && !strings.HasPrefix(x.URL, "https://") {
		fault("influxdb.url", words.Say("%q is not a web address", x.URL), "write http://host:8086")
	}
	if x.Bucket == "" {
		fault("influxdb.bucket", "no bucket", "name the bucket to write to")
	}
}
