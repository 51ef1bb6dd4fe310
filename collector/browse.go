package collector

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"calandria/plant"
)

// BrowseOptions say where and how far to look.
type BrowseOptions struct {
	Server  plant.ServerConfig
	DataDir string // certificate and trust list, as for a Client
	Logger  *slog.Logger
	// Root is where to start, a node id; default the Objects folder.
	Root string
	// MaxNodes bounds the walk; default 100000. MaxDepth likewise; default 20.
	MaxNodes, MaxDepth int
	// Standard includes the server's own diagnostics (namespace 0).
	Standard bool
}

// Variable is one variable found in a server.
type Variable struct {
	Node        string // in the nsu= form that plant.yaml takes
	Path        string // browse names from the root, joined by /
	Name        string // display name, else browse name
	Description string
	DataType    string // Double, Int32, Boolean ...; a node id if not of the standard
	Scalar      bool
	Value       string // as text, at the moment of browsing
	Quality     plant.Quality
	Time        time.Time
	Unit        string // EngineeringUnits, as the server displays it
	// EURange is the normal range [low, high], nil if not given.
	EURange  []float64
	Sampling time.Duration // MinimumSamplingInterval; 0 if not given
	Readable bool
	History  bool // the server keeps history of it
}

// Browse walks a server and lists its variables in the order found. If a limit
// ended the walk the list so far comes with an error wrapping ErrTruncated.
func Browse(ctx context.Context, o BrowseOptions) ([]Variable, error) {
	return nil, errors.ErrUnsupported
}

// ErrTruncated says that a walk ended at a limit of BrowseOptions.
var ErrTruncated = errors.New("browsing stopped at its limit")

// CheckOnline connects to the server once and tries every tag of it: does the
// node exist, may it be read, is it a number, is its value usable now. It
// returns the faults found, in the order of tags, or an error if the server
// could not be asked.
func CheckOnline(ctx context.Context, cfg Config) ([]TagFault, error) {
	return nil, errors.ErrUnsupported
}

// StartingConfig writes a plant.yaml to begin with from what Browse found.
func StartingConfig(server plant.ServerConfig, vars []Variable) string { return "" }
