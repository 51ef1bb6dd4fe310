package historian

import (
	"fmt"
	"strings"
	"time"

	"calandria/plant"
)

// Keeping is the section archive: of the plant file: where and how long values
// are kept.
type Keeping struct {
	Dir string `yaml:"dir"` // default: archive/ in the data folder
	// Hot is how long values stay in the log before they move to Parquet;
	// default 6h.
	Hot time.Duration `yaml:"hot"`
	// Keep is how long raw values are kept; default 400d. Roll-ups are kept.
	Keep time.Duration `yaml:"keep"`
	// Anchors is a further file, best on another machine, that the signed heads of
	// the journal are written to.
	Anchors string `yaml:"anchors"`
}

// Influx is the section influxdb: of the plant file: every value is forwarded
// to an InfluxDB v2 write API.
type Influx struct {
	URL       string `yaml:"url"`
	Org       string `yaml:"org"`
	Bucket    string `yaml:"bucket"`
	TokenFile string `yaml:"token_file"`
}

// Sections of the plant file.
const (
	keepingSection = "archive"
	influxSection  = "influxdb"
)

// Parts are the sections archive: and influxdb: of the plant file.
func Parts() []plant.Part {
	return []plant.Part{
		{Key: keepingSection, Into: &Keeping{Hot: usualHot, Keep: usualKeep}, Check: checkKeeping},
		{Key: influxSection, Into: &Influx{}, Check: checkInflux},
	}
}

const (
	usualHot  = 6 * time.Hour
	usualKeep = 400 * 24 * time.Hour
)

// KeepingOf is what the plant file says of the archive, or the usual.
func KeepingOf(h *plant.House) Keeping {
	if k, ok := h.Part(keepingSection).(*Keeping); ok {
		return *k
	}
	return Keeping{Hot: usualHot, Keep: usualKeep}
}

// InfluxOf is what the plant file says of InfluxDB; nil if it says nothing.
func InfluxOf(h *plant.House) *Influx {
	x, ok := h.Part(influxSection).(*Influx)
	if !ok || !h.Document.Has(influxSection) {
		return nil
	}
	return x
}

func checkKeeping(h *plant.House, fault func(field, problem, fix string)) {
	k := KeepingOf(h)
	if k.Hot < 10*time.Minute {
		fault("archive.hot", "less than 10 minutes", "give 10m or more")
	}
	if k.Keep < k.Hot {
		fault("archive.keep", "shorter than archive.hot", "")
	}
}

func checkInflux(h *plant.House, fault func(field, problem, fix string)) {
	x := InfluxOf(h)
	if x == nil {
		return
	}
	if !strings.HasPrefix(x.URL, "http://") && !strings.HasPrefix(x.URL, "https://") {
		fault("influxdb.url", fmt.Sprintf("%q is not a web address", x.URL), "write http://host:8086")
	}
	if x.Bucket == "" {
		fault("influxdb.bucket", "no bucket", "name the bucket to write to")
	}
}
