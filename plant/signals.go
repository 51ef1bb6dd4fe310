package plant

import (
	"strings"

	"calandria/plant/words"
)

// Class is a class of equipment.
type Class string

// Classes of equipment.
const (
	ClassSite      Class = "site"
	ClassSet       Class = "set"       // a multiple-effect evaporator set
	ClassBody      Class = "body"      // one evaporator body
	ClassBleed     Class = "bleed"     // one user of a body's vapour
	ClassCondenser Class = "condenser" // of a set or a pan
	ClassPan       Class = "pan"       // a vacuum pan
	ClassSystem    Class = "system"    // the program itself

	ClassCompartment Class = "compartment" // of a continuous pan
)

// Signal is one row of the table of what an instrument of a class of
// equipment may measure: its name in tag paths and in the configuration.
type Signal struct {
	Class     Class
	Name      string
	Dimension Dimension
	Meaning   words.Text
}

// Signals is the table of measured signals. The name is the key in the
// configuration's tags: sections and the last part of the tag's path.
var Signals = []Signal{
	{ClassSite, "barometer", Pressure, "air pressure at the site, absolute: what gauge and vacuum readings count from"},

	{ClassSet, "header_pressure", Pressure, "exhaust steam header, before the control valve"},
	{ClassSet, "steam_pressure", Pressure, "steam in the calandria of the first effect"},
	{ClassSet, "steam_temperature", Temperature, "steam to the first effect"},
	{ClassSet, "steam_flow", MassFlow, "steam to the first effect"},
	{ClassSet, "steam_make_up_flow", MassFlow, "further steam to the first effect, added to steam_flow: make-up, recompressed vapour"},
	{ClassSet, "juice_flow", MassFlow, "clear juice to the first body, by mass"},
	{ClassSet, "juice_volume_flow", VolumeFlow, "clear juice to the first body, by volume"},
	{ClassSet, "juice_temperature", Temperature, "clear juice to the first body"},
	{ClassSet, "juice_brix", BrixDim, "clear juice to the first body"},
	{ClassSet, "juice_purity", Percent, "purity of the clear juice"},
	{ClassSet, "syrup_brix", BrixDim, "syrup leaving the last body"},
	{ClassSet, "syrup_flow", MassFlow, "syrup leaving the last body, by mass"},
	{ClassSet, "syrup_volume_flow", VolumeFlow, "syrup leaving the last body, by volume"},
	{ClassSet, "syrup_temperature", Temperature, "syrup leaving the last body"},
	{ClassSet, "steam_valve", Percent, "opening of the steam control valve"},
	{ClassSet, "cane_rate", MassFlow, "cane or beet crushed"},

	{ClassBody, "vapour_pressure", Pressure, "vapour space over the juice"},
	{ClassBody, "vapour_temperature", Temperature, "vapour leaving the body"},
	{ClassBody, "chest_pressure", Pressure, "steam side of the calandria"},
	{ClassBody, "chest_temperature", Temperature, "steam side of the calandria"},
	{ClassBody, "juice_temperature", Temperature, "boiling juice in the body"},
	{ClassBody, "brix", BrixDim, "juice leaving the body"},
	{ClassBody, "level", Level, "juice level, % of the tube length"},
	{ClassBody, "juice_flow", MassFlow, "juice leaving the body, by mass"},
	{ClassBody, "condensate_flow", MassFlow, "condensate from the calandria"},
	{ClassBody, "condensate_temperature", Temperature, "condensate leaving the calandria"},
	{ClassBody, "condensate_level", Level, "condensate pot of the calandria"},
	{ClassBody, "condensate_conductivity", Conductivity, "condensate of the calandria"},
	{ClassBody, "vent_valve", Percent, "incondensable-gas vent of the calandria"},
	{ClassBody, "in_service", State, "1 while the body works, 0 while it is by-passed"},
	{ClassBody, "cleaning", State, "1 while the body is being cleaned"},

	{ClassBleed, "flow", MassFlow, "vapour taken"},
	{ClassBleed, "liquid_flow", MassFlow, "juice through the heater, by mass"},
	{ClassBleed, "inlet_temperature", Temperature, "juice into the heater"},
	{ClassBleed, "outlet_temperature", Temperature, "juice out of the heater"},
	{ClassBleed, "valve", Percent, "opening of the bleed valve"},

	{ClassCondenser, "water_inlet_temperature", Temperature, "injection water"},
	{ClassCondenser, "water_outlet_temperature", Temperature, "tail water"},
	{ClassCondenser, "water_flow", MassFlow, "injection water, by mass"},
	{ClassCondenser, "water_volume_flow", VolumeFlow, "injection water, by volume"},
	{ClassCondenser, "water_pressure", Pressure, "injection-water main"},
	{ClassCondenser, "vapour_pressure", Pressure, "vapour into the condenser"},
	{ClassCondenser, "vapour_temperature", Temperature, "vapour into the condenser"},
	{ClassCondenser, "gas_temperature", Temperature, "gas drawn off to the vacuum pump"},
	{ClassCondenser, "pump_running", State, "vacuum pump: 1 running"},
	{ClassCondenser, "water_pump_running", State, "injection-water pump: 1 running"},
	{ClassCondenser, "seal_level", Level, "seal well of the barometric leg"},

	{ClassPan, "vapour_pressure", Pressure, "vapour space"},
	{ClassPan, "vapour_temperature", Temperature, "vapour leaving the pan"},
	{ClassPan, "massecuite_temperature", Temperature, "massecuite"},
	{ClassPan, "level", Level, "massecuite level, % of the full strike"},
	{ClassPan, "massecuite_brix", BrixDim, "massecuite, dry substance"},
	{ClassPan, "liquor_brix", BrixDim, "mother liquor, by an instrument in the pan; found from the boiling point without it"},
	{ClassPan, "consistency", Percent, "massecuite consistency"},
	{ClassPan, "stirrer_current", Current, "stirrer motor"},
	{ClassPan, "chest_pressure", Pressure, "steam side of the calandria"},
	{ClassPan, "steam_flow", MassFlow, "vapour or steam to the calandria"},
	{ClassPan, "steam_valve", Percent, "steam valve"},
	{ClassPan, "feed_flow", MassFlow, "syrup or molasses fed, by mass"},
	{ClassPan, "feed_valve", Percent, "feed valve"},
	{ClassPan, "feed_brix", BrixDim, "syrup or molasses fed"},
	{ClassPan, "water_valve", Percent, "movement-water valve"},
	{ClassPan, "discharge_valve", Percent, "discharge valve; 0 closed"},
	{ClassPan, "condensate_conductivity", Conductivity, "condensate of the calandria"},
	{ClassPan, "liquor_purity", Percent, "purity of the mother liquor"},
	{ClassPan, "massecuite_purity", Percent, "purity of the massecuite, by an instrument or the laboratory: crystal content at the end of a strike"},
	{ClassPan, "phase", AnyDimension, "phase number of the plant's own sequence"},
	{ClassPan, "crystal_content", Percent, "crystal, % on massecuite"},
	{ClassPan, "seed_flow", MassFlow, "seed magma to a continuous pan"},
	{ClassPan, "massecuite_flow", MassFlow, "massecuite leaving a continuous pan"},

	{ClassCompartment, "massecuite_temperature", Temperature, "massecuite in the compartment"},
	{ClassCompartment, "level", Level, "massecuite level"},
	{ClassCompartment, "massecuite_brix", BrixDim, "massecuite, dry substance"},
	{ClassCompartment, "liquor_brix", BrixDim, "mother liquor, by an instrument in the compartment"},
	{ClassCompartment, "massecuite_conductivity", Conductivity, "massecuite, by the probe that controls the feed; shown and archived, nothing is worked out from it"},
	{ClassCompartment, "consistency", Percent, "massecuite consistency"},
	{ClassCompartment, "feed_flow", MassFlow, "syrup or molasses fed, by mass"},
	{ClassCompartment, "feed_valve", Percent, "feed valve"},
	{ClassCompartment, "feed_brix", BrixDim, "syrup or molasses fed"},
	{ClassCompartment, "water_valve", Percent, "movement-water valve"},
	{ClassCompartment, "liquor_purity", Percent, "purity of the mother liquor"},
	{ClassCompartment, "vapour_pressure", Pressure, "vapour space, where it is not the pan's"},
	{ClassCompartment, "chest_pressure", Pressure, "steam side, where it is not the pan's"},
	{ClassCompartment, "steam_flow", MassFlow, "vapour or steam to the compartment"},
	{ClassCompartment, "steam_valve", Percent, "steam valve of the compartment"},
}

// Reading is what a server says of the node of one tag, and what it read in a
// few minutes.
type Reading struct {
	Tag       TagID
	Title     string    // the server's own names of the node
	Unit      string    // the server's own unit; "" if it states none
	Low, High float64   // the server's normal range in its own unit; NaN if it states none
	Raw       []float64 // raw readings in order of time, NaN where there was none
}

// SignalNamed finds a row of [Signals].
func SignalNamed(c Class, name string) (Signal, bool) {
	for _, s := range Signals {
		if s.Class == c && s.Name == name {
			return s, true
		}
	}
	return Signal{}, false
}

// SignalNames lists the signals of a class in table order.
func SignalNames(c Class) []string {
	var names []string
	for _, s := range Signals {
		if s.Class == c {
			names = append(names, s.Name)
		}
	}
	return names
}

// labels are names that do not read well with their underscores taken out.
var labels = map[string]words.Text{
	"u":                            "U",
	"u_apparent":                   "U, apparent",
	"u_clean":                      "U when clean",
	"u_ratio":                      "U against clean",
	"brix":                         "Brix",
	"brix_out":                     "Brix out, calculated",
	"boiling_point_elevation":      "boiling-point rise",
	"in_service":                   "in service",
	"total_temperature_difference": "total temperature difference",
}

// Label is the plant's word for a signal or quantity.
func Label(name string) words.Text {
	if l, ok := labels[name]; ok {
		return l
	}
	return words.Text(strings.ReplaceAll(strings.ReplaceAll(name, "_", " "), "brix", "Brix"))
}
