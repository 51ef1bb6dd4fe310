package plant

import (
	"calandria/plant/words"
	"time"
)

// Config is the whole of plant.yaml. Every key is documented at its field;
// unknown keys are refused. See [Load].
type Config struct {
	Site       SiteConfig        `yaml:"site"`
	OPCUA      OPCUAConfig       `yaml:"opcua"`
	Sets       []SetConfig       `yaml:"sets"`
	Condensers []CondenserConfig `yaml:"condensers"`
	Pans       []PanConfig       `yaml:"pans"`
	// Tags are further signals of the site that rules may use.
	Tags map[string]FreeTag `yaml:"tags"`
	// Rules lists rule files, relative to the plant file.
	Rules []string      `yaml:"rules"`
	Scan  time.Duration `yaml:"scan"` // how often quantities are worked out; default 1s
}

// Part is a section at the top of plant.yaml that an edge of the program
// declares, reads and checks: the console, the archive, notices.
type Part struct {
	Key  string
	Into any // pointer to what is filled, by `yaml:"name"` tags
	// Check sets defaults and tells faults, once the house is built; nil: none.
	// Fields are named from the top of the file.
	Check func(h *House, fault func(field string, problem, fix words.Text))
	// States names system tags of the edge that are 1 while all is well, with
	// their meanings; nil: none.
	States func(h *House) map[string]string
}

// partKeys are the sections of the edges. [Load] passes over those that it is
// given no [Part] for.
var partKeys = []string{"archive", "console", "escalation", "influxdb", "notify"}

// SiteConfig describes the site as a whole.
type SiteConfig struct {
	Name string `yaml:"name"`
	// Note stands on every page, e.g. "invented demonstration data".
	Note string `yaml:"note"`
	// BarometerKPa is the usual air pressure at the site's altitude: gauge and vacuum
	// readings are archived with it, and the core takes them to the air pressure of
	// the moment; 60..110, default 101.325.
	BarometerKPa float64 `yaml:"barometer_kpa"`
	// Tags are the signals of the site: its barometer.
	Tags     map[string]Binding `yaml:"tags"`
	TimeZone string             `yaml:"time_zone"` // IANA name for days and shifts; default UTC
	Language string             `yaml:"language"`  // of pages and notices, such as es; default: as the browser asks for
	// Costs are what a plan of cleanings reckons with.
	Costs CostsConfig `yaml:"costs"`
}

// CostsConfig is what scale, a cleaning and a stop cost the site; each may be left out.
type CostsConfig struct {
	Currency  string  `yaml:"currency"`    // for showing, e.g. USD
	SteamPerT float64 `yaml:"steam_per_t"` // of a tonne of steam
	// LostJuicePerT is what is lost for each tonne of clear juice that is not worked
	// up while the set stands.
	LostJuicePerT float64 `yaml:"lost_juice_per_t"`
	Cleaning      float64 `yaml:"cleaning"`       // chemicals and labour for one body
	CleaningHours float64 `yaml:"cleaning_hours"` // out of service for it, 0.5 to 24
}

// OPCUAConfig lists the servers to read from.
type OPCUAConfig struct {
	Servers []ServerConfig `yaml:"servers"`
}

// ServerConfig is one OPC UA server.
type ServerConfig struct {
	Name     string `yaml:"name"`
	Endpoint string `yaml:"endpoint"` // opc.tcp://host:port/path
	// Policy is None, Basic256Sha256, Aes128_Sha256_RsaOaep or
	// Aes256_Sha256_RsaPss; Mode is None, Sign or SignAndEncrypt. There is no
	// silent step down: default Basic256Sha256 and SignAndEncrypt, and None
	// has to be written.
	Policy string `yaml:"policy"`
	Mode   string `yaml:"mode"`
	// User signs in with a name; the password is the content of PasswordFile.
	User         string `yaml:"user"`
	PasswordFile string `yaml:"password_file"`
	// Certificate and Key are PEM or DER files of this client; made on first
	// use in the data folder if empty.
	Certificate string `yaml:"certificate"`
	Key         string `yaml:"key"`
	// ServerCertificate pins the server: a PEM or DER file. Without it the
	// folder trusted/ in the data folder decides.
	ServerCertificate string        `yaml:"server_certificate"`
	Publish           time.Duration `yaml:"publish"`         // publishing interval; default 1s
	SessionTimeout    time.Duration `yaml:"session_timeout"` // default 60s
}

// Properties chooses the correlations of one plant; one choice per plant, so
// that trends stay comparable.
type Properties struct {
	BoilingPoint string  `yaml:"boiling_point"` // boiling-point elevation; default sp97
	Heat         string  `yaml:"heat"`          // specific heat and enthalpy; default bubnik95
	PurityFactor float64 `yaml:"purity_factor"` // k in 1+k(1-P/100) on the elevation; default 0
}

// ModelSigma is one standard deviation of what no instrument shows: it is in every
// plus-or-minus beside the accuracies of the meters. Below 0 nothing is valid; 0 takes
// the figure as exact.
type ModelSigma struct {
	LossPct         *float64 `yaml:"loss_pct"`          // of loss_pct, %; default 0.5: common practice is 1 to 3
	PipeLossK       *float64 `yaml:"pipe_loss_k"`       // of pipe_loss_k, each pipe by itself; default 0.15: common practice is 0.2 to 0.5, and long pipes lose more
	BoilingPointPct *float64 `yaml:"boiling_point_pct"` // of the elevation; default 10: the equations in use give 2.95, 3.35 and 3.71 K for one syrup
	HeatPct         *float64 `yaml:"heat_pct"`          // of the specific heat; default 3: the equations in use differ by 1.4 % in thin juice, by 4.4 % in syrup (one standard deviation)
}

// SetConfig is one multiple-effect evaporator set.
type SetConfig struct {
	Name      string  `yaml:"name"`
	Title     string  `yaml:"title"`
	PurityPct float64 `yaml:"purity_pct"` // of the juice where no tag says; default 85
	// LossPct is heat lost to the surroundings and vents, % of the calandria
	// duty; default 1.5.
	LossPct *float64 `yaml:"loss_pct"`
	// PipeLossK is the saturation temperature lost in each vapour pipe, K;
	// default 0.3.
	PipeLossK *float64 `yaml:"pipe_loss_k"`
	// Sigma states how well these figures and the equations are known.
	Sigma ModelSigma `yaml:"sigma"`
	// CondensateFlash is true where condensate flashes from calandria to
	// calandria; default true.
	CondensateFlash *bool `yaml:"condensate_flash"`
	// ExhaustCondensateFlash is true where that of the exhaust steam flashes with it;
	// default false: it goes back to the boilers.
	ExhaustCondensateFlash bool       `yaml:"exhaust_condensate_flash"`
	Properties             Properties `yaml:"properties"`
	// CleanUFormula names the formula that stands in for clean U until it is recorded
	// or learned, and gives normalised U its shape: dessin (default) or swedish.
	// CleanUConstant is its constant for this site: the divisor of dessin (default
	// 16000; 18000 or 20000 are quoted for scaled bodies and quintuples) or the k of
	// swedish in kcal/(m2.h.K) (default 425; 400 to 450 quoted).
	CleanUFormula  string  `yaml:"clean_u_formula"`
	CleanUConstant float64 `yaml:"clean_u_constant"`
	// Smoothing is the time constant of the averaging filter before readings
	// enter the balances; default 60s, 0 for none. The archive and the rules on
	// measured tags see the raw readings.
	Smoothing *time.Duration `yaml:"smoothing"`
	Condenser string         `yaml:"condenser"` // name of its condenser
	// JuiceOrder names the bodies in the order in which the juice flows, where
	// that is not the order from the steam end: backward or mixed feed.
	JuiceOrder []string           `yaml:"juice_order"`
	Bodies     []BodyConfig       `yaml:"bodies"`
	Tags       map[string]Binding `yaml:"tags"`
}

// BodyConfig is one evaporator body.
type BodyConfig struct {
	Name  string `yaml:"name"`
	Title string `yaml:"title"`
	// Effect counts from 1 at the steam end; bodies of one effect share it.
	Effect int `yaml:"effect"`
	// Juice is in_line (default: fed by the body before it) or beside: fed with a
	// part of the same juice as the body before it, which must be of its effect.
	Juice string `yaml:"juice"`
	// HeatingSurfaceM2 is the heating surface, m2.
	HeatingSurfaceM2 Dated `yaml:"heating_surface_m2"`
	TubeLengthM      Dated `yaml:"tube_length_m"`
	// DiameterM is the inside diameter of the vapour space over the juice, m: with it the
	// velocity of the vapour is worked out.
	DiameterM Dated  `yaml:"diameter_m"`
	Kind      string `yaml:"kind"` // robert (default), kestner, falling_film
	// CleanUWM2K is U just after cleaning, W/(m2.K), from the site's records;
	// without it U after the last cleanings is learned, and until then the
	// CleanUFormula of the set stands in, and says so.
	CleanUWM2K float64 `yaml:"clean_u_w_m2k"`
	// ReferenceBrix (leaving the body) and ReferenceChestC (degC) are where
	// normalised U and clean U are quoted; without them it is the condition of the
	// first day after the first cleaning seen.
	ReferenceBrix   float64 `yaml:"reference_brix"`
	ReferenceChestC float64 `yaml:"reference_chest_c"`
	// LevelFactor lists [level in % of the tube, U over U at the best level] for
	// normalised U, levels rising; default the usual shape of a Robert body, and
	// none for other kinds.
	LevelFactor [][]float64 `yaml:"level_factor"`
	// MinDifferenceK is the temperature difference below which U is not shown,
	// K; default 4, falling_film 2. The error of U is that of the difference.
	MinDifferenceK *float64 `yaml:"min_difference_k"`
	// CleaningLimit is the ratio to clean U at which cleaning is due; default 0.8
	// for the first three effects that the juice passes, 0.65 after.
	CleaningLimit float64            `yaml:"cleaning_limit"`
	Bleeds        []BleedConfig      `yaml:"bleeds"`
	Tags          map[string]Binding `yaml:"tags"`
}

// BleedConfig is one user of a body's vapour. What it takes is, in this order:
// its flow tag, the duty of its heater by liquid flow and temperatures, or
// AssumedTH.
type BleedConfig struct {
	Name      string             `yaml:"name"`
	Title     string             `yaml:"title"`
	AssumedTH *float64           `yaml:"assumed_t_h"` // t/h
	LiquidBx  float64            `yaml:"liquid_brix"` // of the juice heated; default 14
	LossPct   float64            `yaml:"loss_pct"`    // of the heater; default 3
	Tags      map[string]Binding `yaml:"tags"`
}

// CondenserConfig is a condenser of a set or of pans.
type CondenserConfig struct {
	Name  string             `yaml:"name"`
	Title string             `yaml:"title"`
	Tags  map[string]Binding `yaml:"tags"`
	// Normal is what the condenser shows in good order at the usual load, for
	// the diagnosis of lost vacuum; learned from good running where it is left out.
	Normal *NormalConfig `yaml:"normal"`
}

// NormalConfig is a condenser in good order. Pressure and both temperatures go
// together; the rest may be left out.
type NormalConfig struct {
	VapourPressureKPa float64 `yaml:"vapour_pressure_kpa"` // absolute
	WaterInletC       float64 `yaml:"water_inlet_c"`
	WaterOutletC      float64 `yaml:"water_outlet_c"`
	GasC              float64 `yaml:"gas_c"`
	WaterTH           float64 `yaml:"water_t_h"`
	VapourTH          float64 `yaml:"vapour_t_h"`
}

// PanConfig is a vacuum pan.
type PanConfig struct {
	Name             string `yaml:"name"`
	Title            string `yaml:"title"`
	Grade            string `yaml:"grade"` // A, B, C, R1 ...
	HeatingSurfaceM2 Dated  `yaml:"heating_surface_m2"`
	VolumeM3         Dated  `yaml:"volume_m3"` // of the full strike, at 100 % level
	HeatedBy         string `yaml:"heated_by"` // body whose vapour heats it, e.g. EV.EV1
	Condenser        string `yaml:"condenser"`
	// LiquorPurityPct is the purity of the mother liquor where no tag says: at
	// the start and at the end of the strike, interpolated by level.
	LiquorPurityPct []float64 `yaml:"liquor_purity_pct"`
	// Impurity is [m, b, c] of the solubility coefficient y = m q + b +
	// (1-b) exp(-c q), q nonsucrose per water; default cane, [-0.06265, 0.982,
	// 2.1]. The composition of the site's impurities decides.
	Impurity []float64 `yaml:"impurity"`
	// Solubility names the equation of the solubility of pure sucrose; default vavrinecz.
	Solubility string `yaml:"solubility"`
	// ThermometerOffsetK is taken off the massecuite temperature: the head over
	// the pocket and its calibration, K.
	ThermometerOffsetK float64 `yaml:"thermometer_offset_k"`
	// StrikeHours is the usual length of a strike, h.
	StrikeHours float64 `yaml:"strike_hours"`
	// StrikeLimits sets limits by which the phases of a strike are told apart, by name;
	// docs/strikes.md lists them with their defaults and ranges.
	StrikeLimits map[string]float64 `yaml:"strike_limits"`
	// Compartments make it a continuous pan: in the order of flow, from the seed. It boils no
	// strikes; LiquorPurityPct is then that of the first and of the last compartment.
	Compartments []CompartmentConfig `yaml:"compartments"`
	Properties   Properties          `yaml:"properties"`
	Tags         map[string]Binding  `yaml:"tags"`
}

// CompartmentConfig is one compartment of a continuous pan. What it leaves out is the pan's:
// vapour pressure, chest pressure, impurity, properties.
type CompartmentConfig struct {
	Name             string `yaml:"name"`
	Title            string `yaml:"title"`
	HeatingSurfaceM2 Dated  `yaml:"heating_surface_m2"`
	// LiquorPurityPct is the purity of the mother liquor where no tag says; default
	// between the pan's two values by the compartment's place.
	LiquorPurityPct float64 `yaml:"liquor_purity_pct"`
	// ThermometerOffsetK as for a pan; default the pan's.
	ThermometerOffsetK *float64           `yaml:"thermometer_offset_k"`
	Tags               map[string]Binding `yaml:"tags"`
}

// Binding ties one signal to an instrument or to a fixed value.
type Binding struct {
	Server string `yaml:"server"` // default: the only server
	// Node is an OPC UA node id with its namespace URI, such as
	// "nsu=urn:mill;s=EV1.P" or "i=2258". The index form "ns=2;..." is refused
	// because indexes change when a server restarts.
	Node  string   `yaml:"node"`
	Value *float64 `yaml:"value"` // a fixed value in place of an instrument
	Unit  string   `yaml:"unit"`  // of the reading; default the signal's own
	// Reference is absolute (default), gauge or vacuum, for pressures only.
	Reference Reference `yaml:"reference"`
	// Scale and Offset turn the raw number into the unit: raw*scale + offset.
	Scale  *float64 `yaml:"scale"`
	Offset float64  `yaml:"offset"`
	// Range is [low, high] of the instrument in Unit. Readings outside are
	// Bad_OutOfRange; see [Tag.ConvertAt].
	Range DatedOf[[]float64] `yaml:"range"`
	// Accuracy is one standard deviation in Unit; AccuracyPct the same in % of
	// the reading. Both may be given; the squares add.
	Accuracy    *float64      `yaml:"accuracy"`
	AccuracyPct *float64      `yaml:"accuracy_pct"`
	Sampling    time.Duration `yaml:"sampling"` // default: the publishing interval
}

// FreeTag is a signal that is not in the table of [Signals].
type FreeTag struct {
	Title     string    `yaml:"title"`
	Dimension Dimension `yaml:"dimension"`

	Binding
}
