package historian

import (
	"time"

	"calandria/plant"
	"calandria/plant/words"
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

// keepingSection is its name there.
const keepingSection = "archive"

// Part is the section archive: of the plant file.
func Part() plant.Part {
	return plant.Part{Key: keepingSection, Into: &Keeping{Hot: usualHot, Keep: usualKeep}, Check: checkKeeping}
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

func checkKeeping(h *plant.House, fault func(field string, problem, fix words.Text)) {
	k := KeepingOf(h)
	if k.Hot < 10*time.Minute {
		fault("archive.hot", "less than 10 minutes", "give 10m or more")
	}
	if k.Keep < k.Hot {
		fault("archive.keep", "shorter than archive.hot", "")
	}
}
