package thermo

import (
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/condenser"
	"calandria/thermo/evaporator"
	"calandria/thermo/fouling"
)

// Quantity is one row of the table of calculated tags.
type Quantity struct {
	Class     plant.Class
	Name      string // last part of the tag's path
	Dimension plant.Dimension
	Meaning   words.Text
	Inputs    string // what it is worked out from, for a reader
	Source    string // of the equation
	// Low and High bound what is plausible. A value outside is not shown as a
	// number: it is absent, with the value in its reason.
	Low, High float64

	// window marks what is worked out from a window of minutes and kept until the
	// next one.
	window bool

	// vapour marks what rests on the vapour that the vessels send, and so on their
	// instruments too.
	vapour bool

	// cane marks what rests on the rate of crushing too.
	cane bool

	// pairs marks what needs pressure and temperature of the same moment.
	pairs bool

	// sums marks what is summed over a strike.
	sums bool

	// batch marks what a continuous pan has in its compartments only, or not at all.
	batch bool

	// only says which equipment of the class has it; nil for all.
	only func(*plant.Equipment) bool

	// One of these gives the value.
	site      func(*air) evaporator.Result
	set       func(*setView) evaporator.Result
	body      func(*bodyView) evaporator.Result
	condenser func(*condenserView) evaporator.Result
	pan       func(*panView) evaporator.Result
}

const (
	balances = "mass and heat balances of the set, package evaporator"
	if97     = "IAPWS-IF97, region 4"

	reconciliation = "weighted least squares, global and measurement test (Narasimhan and Jordache 2000, from memory)"
	habits         = "medians over up to 20 strikes of the pan, package pan; figures of ours"
	usually        = "mean of settled running; figures of ours"
	diagnosis      = "Tsat = t_in + rise + approach, package condenser; attributions: common practice, no source"
)

// Quantities is the table. Units are the canonical ones of the dimension.
var Quantities = []Quantity{
	{Class: plant.ClassSite, Name: "air_pressure", Dimension: plant.Pressure, Low: 60, High: 110,
		Meaning: "air pressure that gauge and vacuum readings count from: by the barometer, else estimated", Inputs: "barometer; without it gauge and vacuum readings against absolute ones and thermometers, vessels open to the air", Source: "Kalman filter on the weather and a constant error of each pair",
		site: func(a *air) evaporator.Result { return a.pressure() }},

	{Class: plant.ClassSet, Name: "juice_in_flow", Dimension: plant.MassFlow, Low: 0, High: 3000,
		Meaning: "clear juice to the set, as the balances use it", Inputs: "juice_flow, or syrup_flow with both Brix", Source: balances,
		set: func(v *setView) evaporator.Result { return v.r.JuiceTH }},
	{Class: plant.ClassSet, Name: "evaporation", Dimension: plant.MassFlow, Low: 0, High: 3000,
		Meaning: "water evaporated by the set", Inputs: "juice flow, feed and syrup Brix", Source: "solids balance E = F (1 - x0/xn)",
		set: func(v *setView) evaporator.Result { return v.r.TotalEvaporationTH }},
	{Class: plant.ClassSet, Name: "syrup_calculated", Dimension: plant.MassFlow, Low: 0, High: 2000,
		Meaning: "syrup leaving the set, by solids balance", Inputs: "juice flow, feed and syrup Brix", Source: "solids balance",
		set: func(v *setView) evaporator.Result { return v.r.SyrupTH }},
	{Class: plant.ClassSet, Name: "steam_calculated", Dimension: plant.MassFlow, Low: 0, High: 2000,
		Meaning: "steam condensed in the first effect, by heat balance", Inputs: "juice flow and temperature, Brix, pressures, bleeds", Source: balances,
		set: func(v *setView) evaporator.Result { return v.r.SteamTH }},
	{Class: plant.ClassSet, Name: "economy", Dimension: plant.Ratio, Low: 0.3, High: 12,
		Meaning: "water evaporated per steam, steam by balance", Inputs: "evaporation, steam_calculated", Source: "definition",
		set: func(v *setView) evaporator.Result { return v.r.Economy }},
	{Class: plant.ClassSet, Name: "economy_measured", Dimension: plant.Ratio, Low: 0.3, High: 12,
		Meaning: "water evaporated per steam, steam by its meter", Inputs: "evaporation, steam_flow", Source: "definition",
		set: func(v *setView) evaporator.Result { return v.r.EconomyMeasured }},
	{Class: plant.ClassSet, Name: "economy_corrected", Dimension: plant.Ratio, Low: 0.3, High: 12,
		Meaning: "economy with the bleeds counted at full value: about the number of effects in good order", Inputs: "evaporation, bleeds, steam_calculated", Source: "Rillieux count (E + sum (n-k) B_k)/S",
		set: func(v *setView) evaporator.Result { return v.r.CorrectedEconomy }},
	{Class: plant.ClassSet, Name: "steam_on_cane", Dimension: plant.Percent, Low: 0, High: 500, cane: true, only: func(e *plant.Equipment) bool { return e.Tag("cane_rate") != plant.NoTag },
		Meaning: "steam to the set, % on cane or beet: a lower economy is not worse if the bleeds rose, this is", Inputs: "steam_flow, else steam_calculated; cane_rate", Source: "definition",
		set: func(v *setView) evaporator.Result { return v.steamOnCane() }},
	{Class: plant.ClassSet, Name: "specific_evaporation", Dimension: plant.SpecificEvap, Low: 0, High: 200,
		Meaning: "water evaporated per heating surface in service", Inputs: "evaporation, heating surfaces", Source: "definition",
		set: func(v *setView) evaporator.Result { return v.r.SpecificKgM2H }},
	{Class: plant.ClassSet, Name: "rillieux_steam", Dimension: plant.MassFlow, Low: 0, High: 2000,
		Meaning: "steam by the Rillieux count, a check that needs no heat balance", Inputs: "evaporation, bleeds", Source: "Rillieux count (E - sum k B_k)/n + sum B_k",
		set: func(v *setView) evaporator.Result { return v.r.RillieuxSteamTH }},
	{Class: plant.ClassSet, Name: "rillieux_residual", Dimension: plant.Percent, Low: -100, High: 100,
		Meaning: "Rillieux count less steam by balance, %", Inputs: "rillieux_steam, steam_calculated", Source: "definition",
		set: func(v *setView) evaporator.Result { return v.r.RillieuxResidual }},
	{Class: plant.ClassSet, Name: "steam_difference", Dimension: plant.Percent, Low: -100, High: 100,
		Meaning: "steam meter less steam by balance, %", Inputs: "steam_flow, steam_calculated", Source: "definition",
		set: func(v *setView) evaporator.Result { return v.r.SteamDifference }},
	{Class: plant.ClassSet, Name: "solids_closure", Dimension: plant.Percent, Low: -50, High: 50,
		Meaning: "solids out over solids in, less 1, %", Inputs: "juice and syrup flow, both Brix", Source: "solids balance",
		set: func(v *setView) evaporator.Result { return v.r.SolidsClosurePct }},
	{Class: plant.ClassSet, Name: "heat_closure", Dimension: plant.Percent, Low: -100, High: 100,
		Meaning: "heat brought by the measured steam less heat needed, %", Inputs: "steam_flow and the heat balance", Source: balances,
		set: func(v *setView) evaporator.Result { return v.r.HeatClosurePct }},
	{Class: plant.ClassSet, Name: "heat_loss", Dimension: plant.Percent, Low: 0, High: 20,
		Meaning: "heat radiated and vented, % of the duties: loss_pct, and what the balances say of it", Inputs: "loss_pct; reconciliation", Source: reconciliation,
		set: func(v *setView) evaporator.Result { return v.loss.shown() }},
	{Class: plant.ClassSet, Name: "elevation_correction", Dimension: plant.Percent, Low: -60, High: 60,
		Meaning: "boiling-point elevation of this site above the chosen equation, %, as juice thermometers and balances say", Inputs: "juice temperatures; reconciliation", Source: reconciliation,
		set: func(v *setView) evaporator.Result { return v.elevation.shown() }},
	{Class: plant.ClassSet, Name: "total_temperature_difference", Dimension: plant.TempDifference, Low: -20, High: 150,
		Meaning: "first calandria less last vapour space", Inputs: "pressures", Source: if97,
		set: func(v *setView) evaporator.Result { return v.r.TotalDTK }},
	{Class: plant.ClassSet, Name: "arranged_time", Dimension: plant.Duration, Low: 0, High: 1e9,
		Meaning: "time since the set last stood, or since a body was last taken out or put back; 0 while one is out", Inputs: "in_service and cleaning of the bodies, steam and juice flow", Source: "definition",
		set: func(v *setView) evaporator.Result { return value(v.arranged.hours*3600, 0) }},
	{Class: plant.ClassSet, Name: "planned", Dimension: plant.AnyDimension, Low: 0, High: 1,
		Meaning: "1 while a stop of the set is declared", Inputs: "what is declared on the page Cleaning", Source: "definition",
		set: func(v *setView) evaporator.Result { return v.declared.flag(v.now) }},
	{Class: plant.ClassBody, Name: "planned", Dimension: plant.AnyDimension, Low: 0, High: 1,
		Meaning: "1 while the body is declared out of service", Inputs: "what is declared on the page Cleaning", Source: "definition",
		body: func(v *bodyView) evaporator.Result { return v.declared.flag(v.set.now) }},
	{Class: plant.ClassSet, Name: "juice_usual", Dimension: plant.MassFlow, Low: 0, High: 3000,
		Meaning: "juice that the set usually takes: mean of a day of settled running", Inputs: "juice_in_flow", Source: usually,
		set: func(v *setView) evaporator.Result { return v.usualJuice.get() }},
	{Class: plant.ClassSet, Name: "evaporation_usual", Dimension: plant.MassFlow, Low: 0, High: 3000,
		Meaning: "water that the set usually evaporates: mean of a day of settled running", Inputs: "evaporation", Source: usually,
		set: func(v *setView) evaporator.Result { return v.usualEvaporation.get() }},
	{Class: plant.ClassSet, Name: "steam_usual", Dimension: plant.MassFlow, Low: 0, High: 2000, only: func(e *plant.Equipment) bool { return e.Tag("steam_flow") != plant.NoTag },
		Meaning: "steam that the set usually takes: mean of a day of settled running", Inputs: "steam_flow", Source: usually,
		set: func(v *setView) evaporator.Result { return v.usualSteam.get() }},
	{Class: plant.ClassSet, Name: "syrup_brix_usual", Dimension: plant.BrixDim, Low: 0, High: 90, only: func(e *plant.Equipment) bool { return e.Tag("syrup_brix") != plant.NoTag },
		Meaning: "Brix that the syrup usually has: mean of five days of settled running", Inputs: "syrup_brix", Source: usually,
		set: func(v *setView) evaporator.Result { return v.usualSyrup.get() }},
	{Class: plant.ClassSet, Name: "syrup_brix_spread", Dimension: plant.BrixDim, Low: 0, High: 90, only: func(e *plant.Equipment) bool { return e.Tag("syrup_brix") != plant.NoTag },
		Meaning: "how far the syrup Brix usually departs from its usual, one standard deviation", Inputs: "syrup_brix", Source: usually,
		set: func(v *setView) evaporator.Result { return v.usualSyrup.deviation() }},
	{Class: plant.ClassSet, Name: "syrup_supersaturation", Dimension: plant.Ratio, Low: 0, High: 3, only: func(e *plant.Equipment) bool { return e.Tag("syrup_brix") != plant.NoTag },
		Meaning: "sucrose per water in the syrup as it boils in the last body, over its value at saturation: crystals form above 1", Inputs: "syrup_brix, purity, vapour pressure of the last body", Source: "package pan, with its usual solubility",
		set: func(v *setView) evaporator.Result { return v.syrupSaturation() }},
	{Class: plant.ClassSet, Name: "economy_corrected_usual", Dimension: plant.Ratio, Low: 0.3, High: 12,
		Meaning: "economy_corrected as it usually is: mean of five days of settled running", Inputs: "economy_corrected", Source: usually,
		set: func(v *setView) evaporator.Result { return v.usualEconomy.get() }},
	{Class: plant.ClassSet, Name: "rillieux_residual_usual", Dimension: plant.Percent, Low: -100, High: 100,
		Meaning: "rillieux_residual as it usually is: mean of five days of settled running", Inputs: "rillieux_residual", Source: usually,
		set: func(v *setView) evaporator.Result { return v.usualCount.get() }},
	{Class: plant.ClassSet, Name: "rillieux_residual_spread", Dimension: plant.Percent, Low: 0, High: 100,
		Meaning: "how far rillieux_residual usually departs from its usual, one standard deviation", Inputs: "rillieux_residual", Source: usually,
		set: func(v *setView) evaporator.Result { return v.usualCount.deviation() }},
	{Class: plant.ClassSet, Name: "reconciliation", Dimension: plant.Ratio, Low: 0, High: 1e6, window: true,
		Meaning: "contradiction between the instruments: global statistic of the reconciliation over its chi-square limit; above 1 something is wrong", Inputs: "whatever is measured twice over: syrup and steam flow, temperatures, pressures, condenser water; accuracies", Source: reconciliation,
		set: func(v *setView) evaporator.Result { return v.check.ratio }},
	{Class: plant.ClassSet, Name: "gross_error", Dimension: plant.State, Low: 0, High: 1, window: true,
		Meaning: "1 while the balances (two of three windows) or instruments that read one thing (two of three times ten minutes) contradict each other; the reason names the suspect", Inputs: "reconciliation; pressures, thermometers, flows of heaters, by their usual differences", Source: reconciliation,
		set: func(v *setView) evaporator.Result { return v.check.grossWithPeers }},
	{Class: plant.ClassSet, Name: "juice_flow_reconciled", Dimension: plant.MassFlow, Low: 0, High: 3000, window: true,
		Meaning: "juice flow as all instruments together say, mean of the window", Inputs: "reconciliation", Source: reconciliation,
		set: func(v *setView) evaporator.Result { return v.check.reconciled[0] }},
	{Class: plant.ClassSet, Name: "juice_brix_reconciled", Dimension: plant.BrixDim, Low: 0, High: 90, window: true,
		Meaning: "Brix of the clear juice as all instruments together say, mean of the window", Inputs: "reconciliation", Source: reconciliation,
		set: func(v *setView) evaporator.Result { return v.check.reconciled[1] }},
	{Class: plant.ClassSet, Name: "syrup_flow_reconciled", Dimension: plant.MassFlow, Low: 0, High: 2000, window: true,
		Meaning: "syrup flow as all instruments together say, mean of the window", Inputs: "reconciliation", Source: reconciliation,
		set: func(v *setView) evaporator.Result { return v.check.reconciled[2] }},
	{Class: plant.ClassSet, Name: "syrup_brix_reconciled", Dimension: plant.BrixDim, Low: 0, High: 90, window: true,
		Meaning: "syrup Brix as all instruments together say, mean of the window", Inputs: "reconciliation", Source: reconciliation,
		set: func(v *setView) evaporator.Result { return v.check.reconciled[3] }},
	{Class: plant.ClassSet, Name: "steam_flow_reconciled", Dimension: plant.MassFlow, Low: 0, High: 2000, window: true,
		Meaning: "steam flow as all instruments together say, mean of the window", Inputs: "reconciliation", Source: reconciliation,
		set: func(v *setView) evaporator.Result { return v.check.reconciled[4] }},

	{Class: plant.ClassBody, Name: "chest_saturation_temperature", Dimension: plant.Temperature, Low: 0, High: 220,
		Meaning: "condensing temperature in the calandria", Inputs: "chest pressure, or the vapour before less the pipe loss", Source: if97,
		body: func(v *bodyView) evaporator.Result { return v.b.ChestC }},
	{Class: plant.ClassBody, Name: "vapour_saturation_temperature", Dimension: plant.Temperature, Low: 0, High: 220,
		Meaning: "saturation temperature of the vapour space", Inputs: "vapour pressure, or vapour temperature", Source: if97,
		body: func(v *bodyView) evaporator.Result { return v.b.VapourC }},
	{Class: plant.ClassBody, Name: "vapour_temperature_usual", Dimension: plant.Temperature, Low: 0, High: 220,
		Meaning: "saturation temperature that the vapour space usually has: mean of five days of running", Inputs: "vapour_saturation_temperature", Source: usually,
		body: func(v *bodyView) evaporator.Result { return v.usualVapour.get() }},
	{Class: plant.ClassBody, Name: "vapour_temperature_spread", Dimension: plant.TempDifference, Low: 0, High: 100,
		Meaning: "how far it usually departs from that, one standard deviation", Inputs: "vapour_saturation_temperature", Source: usually,
		body: func(v *bodyView) evaporator.Result { return v.usualVapour.deviation() }},
	{Class: plant.ClassBody, Name: "boiling_temperature", Dimension: plant.Temperature, Low: 0, High: 220,
		Meaning: "boiling juice", Inputs: "vapour saturation temperature, boiling-point elevation", Source: "Tsat + BPE",
		body: func(v *bodyView) evaporator.Result { return v.b.JuiceC }},
	{Class: plant.ClassBody, Name: "boiling_point_elevation", Dimension: plant.TempDifference, Low: 0, High: 30,
		Meaning: "rise of the boiling point by dissolved solids, by the plant's chosen equation", Inputs: "Brix out, vapour pressure, purity", Source: "package liquor",
		body: func(v *bodyView) evaporator.Result { return v.b.BPEK }},
	{Class: plant.ClassBody, Name: "boiling_point_elevation_measured", Dimension: plant.TempDifference, Low: -5, High: 30,
		Meaning: "juice thermometer less saturation temperature", Inputs: "juice temperature, vapour pressure", Source: "definition",
		body: func(v *bodyView) evaporator.Result { return v.b.BPEMeasured }},
	{Class: plant.ClassBody, Name: "head_elevation", Dimension: plant.TempDifference, Low: 0, High: 30,
		Meaning: "rise of the boiling point at mean depth, for information: it stays inside U", Inputs: "level, tube length, density", Source: if97,
		body: func(v *bodyView) evaporator.Result { return v.b.HeadK }},
	{Class: plant.ClassBody, Name: "temperature_difference", Dimension: plant.TempDifference, Low: -50, High: 120,
		Meaning: "calandria less boiling juice: the difference that U is quoted on", Inputs: "pressures, Brix", Source: "Tc - Tsat - BPE",
		body: func(v *bodyView) evaporator.Result { return v.b.DTK }},
	{Class: plant.ClassBody, Name: "pipe_loss", Dimension: plant.TempDifference, Low: 0, High: 20, only: func(e *plant.Equipment) bool { return e.Body.Effect > 1 },
		Meaning: "saturation temperature lost in the pipe from the body before, at the present flow: pipe_loss_k, and what the chest readings say of it", Inputs: "pipe_loss_k; chest_pressure; reconciliation", Source: reconciliation + "; square of the flow",
		body: func(v *bodyView) evaporator.Result { return v.pipeLoss() }},
	{Class: plant.ClassBody, Name: "apparent_difference", Dimension: plant.TempDifference, Low: -50, High: 120,
		Meaning: "calandria less vapour space", Inputs: "pressures", Source: "Tc - Tsat",
		body: func(v *bodyView) evaporator.Result { return v.b.DTApparentK }},
	{Class: plant.ClassBody, Name: "difference_share", Dimension: plant.Percent, Low: 0, High: 100,
		Meaning: "share of the set's useful temperature difference", Inputs: "temperature differences", Source: "definition",
		body: func(v *bodyView) evaporator.Result { return v.b.DTSharePct }},
	{Class: plant.ClassBody, Name: "evaporation", Dimension: plant.MassFlow, Low: -50, High: 1000,
		Meaning: "water evaporated in the body", Inputs: "balances of the set", Source: balances,
		body: func(v *bodyView) evaporator.Result { return v.b.EvaporationTH }},
	{Class: plant.ClassBody, Name: "juice_out_flow", Dimension: plant.MassFlow, Low: 0, High: 3000,
		Meaning: "juice leaving the body", Inputs: "balances of the set", Source: balances,
		body: func(v *bodyView) evaporator.Result { return v.b.JuiceOutTH }},
	{Class: plant.ClassBody, Name: "brix_out", Dimension: plant.BrixDim, Low: 0, High: 95,
		Meaning: "Brix of the juice leaving the body, calculated", Inputs: "balances of the set", Source: "solids balance",
		body: func(v *bodyView) evaporator.Result { return v.b.BrixOut }},
	{Class: plant.ClassBody, Name: "duty", Dimension: plant.Power, Low: -20000, High: 500000,
		Meaning: "heat given up in the calandria", Inputs: "balances of the set", Source: balances,
		body: func(v *bodyView) evaporator.Result { return v.b.DutyKW }},
	{Class: plant.ClassBody, Name: "settled", Dimension: plant.State, Low: 0, High: 1,
		Meaning: "1 while the balances can be believed; 0 while the body holds juice of before the set last moved: the reason says what moved and for how long", Inputs: "juice flow, feed and syrup Brix, pressures, levels", Source: "washing-out of a chain of well-mixed vessels; limits are figures of ours",
		body: func(v *bodyView) evaporator.Result { return v.settledNow() }},
	{Class: plant.ClassBody, Name: "u", Dimension: plant.HeatTransfer, Low: 0.02, High: 12,
		Meaning: "heat-transfer coefficient on the difference calandria less boiling juice, of the means of both over six minutes", Inputs: "duty, heating surface, temperature difference", Source: "U = q/(A dT)",
		body: func(v *bodyView) evaporator.Result { return v.u }},
	{Class: plant.ClassBody, Name: "u_apparent", Dimension: plant.HeatTransfer, Low: 0.02, High: 12,
		Meaning: "heat-transfer coefficient on the apparent difference, of means over six minutes", Inputs: "duty, heating surface, apparent difference", Source: "U = q/(A dT)",
		body: func(v *bodyView) evaporator.Result { return v.uApparent }},
	{Class: plant.ClassBody, Name: "u_normalised", Dimension: plant.HeatTransfer, Low: 0.02, High: 12,
		Meaning: "u as it would be at the body's reference Brix, calandria temperature, level and heat flux", Inputs: "u, brix_out, calandria temperature, level, duty; reference_brix and reference_chest_c, or learned after a cleaning", Source: "the shares of the Swedish formula (Hugot, from memory) and of the heat flux that the body is found to follow, and its level table",
		body: func(v *bodyView) evaporator.Result { return v.uNormal }},
	{Class: plant.ClassBody, Name: "u_clean", Dimension: plant.HeatTransfer, Low: 0.02, High: 12,
		Meaning: "U of the clean body at its reference Brix, calandria temperature, level and heat flux: the site's record, else the usual state after a cleaning, else clean_u_formula", Inputs: "clean_u_w_m2k, or the trends of u carried back to the cleanings, or Brix and calandria temperature", Source: "site record, weighted mean of the cycles, or Dessin or the Swedish formula (Hugot, from memory)",
		body: func(v *bodyView) evaporator.Result { return v.uClean }},
	{Class: plant.ClassBody, Name: "u_ratio", Dimension: plant.Ratio, Low: 0.005, High: 3,
		Meaning: "U over U of the clean body, at one condition: the trend of the hours since the cleaning; absent while clean U is known by the formula only", Inputs: "u by the hour, u_clean; u as it is now until there are hours", Source: "definition; package fouling",
		body: func(v *bodyView) evaporator.Result { return v.ratio() }},
	{Class: plant.ClassBody, Name: "restored", Dimension: plant.Ratio, Low: 0.005, High: 3,
		Meaning: "U just after the last cleaning over u_clean: how well the cleaning restored the body", Inputs: "u by the hour carried back to the cleaning, u_clean", Source: "definition; package fouling",
		body: func(v *bodyView) evaporator.Result { return v.restored() }},
	{Class: plant.ClassBody, Name: "scale_resistance", Dimension: plant.ThermalResist, Low: -2, High: 50,
		Meaning: "resistance added since the body was clean", Inputs: "u_ratio, u_clean", Source: "R = 1/U - 1/U_clean",
		body: func(v *bodyView) evaporator.Result { return v.scale() }},
	{Class: plant.ClassBody, Name: "scale_rate", Dimension: plant.Percent, Low: -100, High: 1000,
		Meaning: "growth of scale a day, % of the clean resistance 1/U", Inputs: "u by the hour since the last cleaning, earlier cycles", Source: "package fouling",
		body: func(v *bodyView) evaporator.Result { return v.scaleRate() }},
	{Class: plant.ClassBody, Name: "scale_rate_excess", Dimension: plant.Ratio, Low: -100, High: 1000,
		Meaning: "how many times as fast as in the cycles before scale grows, at the least: two standard deviations below what it seems", Inputs: "scale_rate, at least two earlier cycles", Source: "package fouling; figures of ours",
		body: func(v *bodyView) evaporator.Result { return v.scaleExcess() }},
	{Class: plant.ClassBody, Name: "cleaning_due", Dimension: plant.Days, Low: 0, High: 1000,
		Meaning: "days until the cleaning limit is met, by the trend: planning information", Inputs: "u by the hour, cleaning_limit", Source: "package fouling",
		body: func(v *bodyView) evaporator.Result {
			return v.due(func(f *fouling.Forecast) time.Time { return f.Due })
		}},
	{Class: plant.ClassBody, Name: "cleaning_due_early", Dimension: plant.Days, Low: 0, High: 1000,
		Meaning: "early end of the 90 % band of cleaning_due", Inputs: "u by the hour, cleaning_limit", Source: "package fouling",
		body: func(v *bodyView) evaporator.Result {
			return v.due(func(f *fouling.Forecast) time.Time { return f.Early })
		}},
	{Class: plant.ClassBody, Name: "cleaning_due_late", Dimension: plant.Days, Low: 0, High: 1000,
		Meaning: "late end of the 90 % band of cleaning_due", Inputs: "u by the hour, cleaning_limit", Source: "package fouling",
		body: func(v *bodyView) evaporator.Result {
			return v.due(func(f *fouling.Forecast) time.Time { return f.Late })
		}},
	{Class: plant.ClassBody, Name: "days_in_service", Dimension: plant.Days, Low: 0, High: 10000,
		Meaning: "days since the last cleaning that was recorded or found", Inputs: "cleaning, u by the hour", Source: "package fouling",
		body: func(v *bodyView) evaporator.Result { return v.daysInService() }},
	{Class: plant.ClassBody, Name: "specific_evaporation", Dimension: plant.SpecificEvap, Low: -50, High: 300,
		Meaning: "water evaporated per heating surface", Inputs: "evaporation, heating surface", Source: "definition",
		body: func(v *bodyView) evaporator.Result { return v.b.SpecificKgM2H }},
	{Class: plant.ClassBody, Name: "vapour_velocity", Dimension: plant.Velocity, Low: 0, High: 100, only: func(e *plant.Equipment) bool { return e.Body.DiameterM.First > 0 },
		Meaning: "velocity of the vapour off the boiling juice, in the vapour space; bodies are laid out for at most 4.6 m/s", Inputs: "evaporation, vapour pressure, boiling temperature, diameter_m", Source: "V v(p, t)/(pi/4 D^2), v by IAPWS-IF97; 4.6 m/s by lecture slides on the design of cane juice evaporators",
		body: func(v *bodyView) evaporator.Result { return v.vapourVelocity() }},
	{Class: plant.ClassBody, Name: "condensed_flow", Dimension: plant.MassFlow, Low: -50, High: 2000,
		Meaning: "steam or vapour condensed in the calandria", Inputs: "balances of the set", Source: balances,
		body: func(v *bodyView) evaporator.Result { return v.b.CondensedTH }},
	{Class: plant.ClassBody, Name: "flash_flow", Dimension: plant.MassFlow, Low: -10, High: 500,
		Meaning: "part of it that is condensate flash", Inputs: "balances of the set", Source: balances,
		body: func(v *bodyView) evaporator.Result { return v.b.FlashTH }},
	{Class: plant.ClassBody, Name: "juice_flash_flow", Dimension: plant.MassFlow, Low: -200, High: 500,
		Meaning: "part of the evaporation made by the juice's own heat, as it enters hotter than it boils; negative where the juice has to be heated first", Inputs: "balances of the set", Source: balances,
		body: func(v *bodyView) evaporator.Result { return v.b.JuiceFlashTH }},
	{Class: plant.ClassBody, Name: "temperature_mismatch", Dimension: plant.TempDifference, Low: -100, High: 200,
		Meaning: "saturation temperature of the vapour space less its thermometer: above 1.5 K one of the two is wrong; below 0 the vapour may really be hotter, by up to the boiling-point elevation", Inputs: "vapour pressure, vapour temperature", Source: if97,
		body: func(v *bodyView) evaporator.Result { return v.b.VapourDisagreeK }},
	{Class: plant.ClassBody, Name: "gas_depression", Dimension: plant.TempDifference, Low: -100, High: 200,
		Meaning: "saturation temperature of the calandria less its thermometer: more than usual suggests incondensable gas", Inputs: "chest pressure, chest temperature", Source: if97,
		body: func(v *bodyView) evaporator.Result { return v.b.ChestGasK }},

	{Class: plant.ClassCondenser, Name: "saturation_temperature", Dimension: plant.Temperature, Low: 0, High: 120,
		Meaning: "saturation temperature of the vapour condensed", Inputs: "vapour pressure of the condenser, or of the last body at work or a boiling pan that it serves", Source: if97,
		condenser: func(v *condenserView) evaporator.Result { return v.saturation }},
	{Class: plant.ClassCondenser, Name: "approach", Dimension: plant.TempDifference, Low: -20, High: 100,
		Meaning: "vapour saturation less tail water: it grows with air and with fouled internals; none while every vessel on the condenser is at rest", Inputs: "vapour pressure, tail water", Source: "definition",
		condenser: func(v *condenserView) evaporator.Result { return v.approach }},
	{Class: plant.ClassCondenser, Name: "rise", Dimension: plant.TempDifference, Low: -20, High: 80,
		Meaning: "tail water less injection water: it grows when water is short", Inputs: "both water temperatures", Source: "definition",
		condenser: func(v *condenserView) evaporator.Result { return v.rise }},
	{Class: plant.ClassCondenser, Name: "water_ratio", Dimension: plant.Ratio, Low: 1, High: 500,
		Meaning: "injection water needed per vapour", Inputs: "vapour pressure, both water temperatures", Source: "heat balance of a direct-contact condenser",
		condenser: func(v *condenserView) evaporator.Result { return v.ratio }},
	{Class: plant.ClassCondenser, Name: "water_need", Dimension: plant.MassFlow, Low: 0, High: 50000, vapour: true,
		Meaning: "injection water by heat balance", Inputs: "vapour flow, water_ratio", Source: "heat balance of a direct-contact condenser",
		condenser: func(v *condenserView) evaporator.Result { return v.need }},
	{Class: plant.ClassCondenser, Name: "duty", Dimension: plant.Power, Low: 0, High: 500000, vapour: true,
		Meaning: "heat taken up by the water", Inputs: "vapour flow, or water flow and both temperatures", Source: "heat balance",
		condenser: func(v *condenserView) evaporator.Result { return v.duty }},
	{Class: plant.ClassCondenser, Name: "vacuum_loss", Dimension: plant.TempDifference, Low: -60, High: 80,
		Meaning: "vapour temperature above that of normal running", Inputs: "vapour pressure, normal", Source: diagnosis,
		condenser: func(v *condenserView) evaporator.Result { return v.loss() }},
	{Class: plant.ClassCondenser, Name: "cause_water", Dimension: plant.TempDifference, Low: 0, High: 80, vapour: true,
		Meaning: "part of the vapour temperature that too little cooling water would explain, against normal running", Inputs: "vapour pressure, both water temperatures, water flow, vapour flow, gas temperature, normal", Source: diagnosis,
		condenser: func(v *condenserView) evaporator.Result { return v.cause(condenser.LittleWater) }},
	{Class: plant.ClassCondenser, Name: "cause_air", Dimension: plant.TempDifference, Low: 0, High: 80, vapour: true,
		Meaning: "part of the vapour temperature that air or gas would explain, against normal running", Inputs: "vapour pressure, both water temperatures, water flow, vapour flow, gas temperature, normal", Source: diagnosis,
		condenser: func(v *condenserView) evaporator.Result { return v.cause(condenser.Air) }},
	{Class: plant.ClassCondenser, Name: "cause_load", Dimension: plant.TempDifference, Low: 0, High: 80, vapour: true,
		Meaning: "part of the vapour temperature that more vapour than usual would explain, against normal running", Inputs: "vapour pressure, both water temperatures, water flow, vapour flow, gas temperature, normal", Source: diagnosis,
		condenser: func(v *condenserView) evaporator.Result { return v.cause(condenser.Overload) }},
	{Class: plant.ClassCondenser, Name: "cause_warm_water", Dimension: plant.TempDifference, Low: 0, High: 80, vapour: true,
		Meaning: "part of the vapour temperature that warm injection water would explain, against normal running", Inputs: "vapour pressure, both water temperatures, water flow, vapour flow, gas temperature, normal", Source: diagnosis,
		condenser: func(v *condenserView) evaporator.Result { return v.cause(condenser.WarmWater) }},
	{Class: plant.ClassCondenser, Name: "cause_contact", Dimension: plant.TempDifference, Low: 0, High: 80, vapour: true,
		Meaning: "part of the vapour temperature that poor contact inside the condenser would explain, against normal running", Inputs: "vapour pressure, both water temperatures, water flow, vapour flow, gas temperature, normal", Source: diagnosis,
		condenser: func(v *condenserView) evaporator.Result { return v.cause(condenser.Internals) }},

	{Class: plant.ClassPan, Name: "saturation_temperature", Dimension: plant.Temperature, Low: 0, High: 120,
		Meaning: "saturation temperature of the vapour space", Inputs: "vapour pressure", Source: if97,
		pan: func(v *panView) evaporator.Result { return v.saturation }},
	{Class: plant.ClassPan, Name: "boiling_point_elevation", Dimension: plant.TempDifference, Low: -5, High: 40, batch: true, pairs: true,
		Meaning: "massecuite less saturation temperature, the head taken off", Inputs: "massecuite temperature, vapour pressure", Source: "definition",
		pan: func(v *panView) evaporator.Result { return v.elevation }},
	{Class: plant.ClassPan, Name: "mother_liquor_brix", Dimension: plant.BrixDim, Low: 0, High: 95, batch: true, pairs: true,
		Meaning: "Brix of the mother liquor", Inputs: "liquor_brix, else boiling-point elevation and vapour pressure", Source: "instrument, or inverse of the elevation, package liquor",
		pan: func(v *panView) evaporator.Result { return v.brix }},
	{Class: plant.ClassPan, Name: "supersaturation", Dimension: plant.Ratio, Low: 0, High: 3, batch: true, pairs: true,
		Meaning: "sucrose per water over its value at saturation, at the same temperature and purity", Inputs: "mother_liquor_brix, purity by liquor_purity or liquor_purity_pct, massecuite temperature", Source: "solubility by Vavrinecz or as configured, coefficient by Wiklund, package liquor",
		pan: func(v *panView) evaporator.Result { return v.supersaturation }},
	{Class: plant.ClassPan, Name: "temperature_difference", Dimension: plant.TempDifference, Low: -60, High: 120,
		Meaning: "calandria less massecuite", Inputs: "chest pressure (or the vapour that heats it less the pipe loss: then assumed), massecuite temperature", Source: if97,
		pan: func(v *panView) evaporator.Result { return v.difference }},
	{Class: plant.ClassPan, Name: "evaporation", Dimension: plant.MassFlow, Low: 0, High: 200,
		Meaning: "water evaporated in the pan", Inputs: "steam flow to the calandria, chest and vapour pressure; without it u of the strike before in the same phase, then assumed", Source: "heat balance without loss, S lambda(chest)/lambda(pan) = U A dT/lambda(pan)",
		pan: func(v *panView) evaporator.Result { return v.evaporation }},
	{Class: plant.ClassPan, Name: "u", Dimension: plant.HeatTransfer, Low: 0.005, High: 8,
		Meaning: "heat-transfer coefficient of the pan", Inputs: "steam flow, heating surface, temperature difference", Source: "U = q/(A dT)",
		pan: func(v *panView) evaporator.Result { return v.u }},
	{Class: plant.ClassPan, Name: "phase_found", Dimension: plant.AnyDimension, Low: 0, High: 20, batch: true,
		Meaning: "phase of the strike as the tags show it: 1 idle, 2 charge, 3 concentrate, 4 graining, 5 feed on, 6 tighten, 7 drop, 8 steam-out, 9 wash-out", Inputs: "level, pressure, valves, whichever there are", Source: "package pan",
		pan: func(v *panView) evaporator.Result { return v.phase }},
	{Class: plant.ClassPan, Name: "phase_time", Dimension: plant.Duration, Low: 0, High: 1e9, batch: true,
		Meaning: "time in the present phase", Inputs: "phase_found", Source: "definition",
		pan: func(v *panView) evaporator.Result { return v.phaseTime }},
	{Class: plant.ClassPan, Name: "strike_time", Dimension: plant.Duration, Low: 0, High: 1e9, batch: true,
		Meaning: "time since the strike began", Inputs: "phase_found", Source: "definition",
		pan: func(v *panView) evaporator.Result { return v.strikeTime }},
	{Class: plant.ClassPan, Name: "water_evaporated", Dimension: plant.Mass, Low: 0, High: 1000, batch: true, sums: true,
		Meaning: "water evaporated in the present strike", Inputs: "steam flow", Source: "sum of evaporation",
		pan: func(v *panView) evaporator.Result { return v.water }},
	{Class: plant.ClassPan, Name: "u_change", Dimension: plant.Percent, Low: -100, High: 1000, batch: true,
		Meaning: "change of the median U of feed-on over the strikes of three weeks, last third against first, %: scale in the calandria from some -20 on", Inputs: "u over at least nine whole strikes", Source: "package pan; limits common practice, no source",
		pan: func(v *panView) evaporator.Result { return v.uChange }},
	{Class: plant.ClassPan, Name: "feed_time_change", Dimension: plant.Percent, Low: -100, High: 1000, batch: true,
		Meaning: "change of the time of feed-on over the strikes of three weeks, last third against first, %: scale from some +15 on", Inputs: "phase_found over at least nine whole strikes", Source: "package pan; limits common practice, no source",
		pan: func(v *panView) evaporator.Result { return v.timeChange }},
	{Class: plant.ClassPan, Name: "supersaturation_departure", Dimension: plant.Ratio, Low: -3, High: 3, batch: true, pairs: true,
		Meaning: "supersaturation less the usual one of this pan and grade at this point of the phase; before the feed less the highest that is usual", Inputs: "supersaturation, at least five whole strikes", Source: habits,
		pan: func(v *panView) evaporator.Result { return v.sDeparture }},
	{Class: plant.ClassPan, Name: "supersaturation_spread", Dimension: plant.Ratio, Low: 0, High: 3, batch: true,
		Meaning: "how much the supersaturation usually differs from the usual one at this point, one standard deviation", Inputs: "supersaturation, at least five whole strikes", Source: habits,
		pan: func(v *panView) evaporator.Result { return v.sSpread }},
	{Class: plant.ClassPan, Name: "temperature_departure", Dimension: plant.TempDifference, Low: -100, High: 100, batch: true,
		Meaning: "massecuite temperature less the usual one of this pan and grade at this point of the phase", Inputs: "massecuite_temperature, at least five whole strikes", Source: habits,
		pan: func(v *panView) evaporator.Result { return v.cDeparture }},
	{Class: plant.ClassPan, Name: "pressure_departure", Dimension: plant.Pressure, Low: -100, High: 200, batch: true,
		Meaning: "vapour pressure less the usual one of this pan and grade in this phase", Inputs: "vapour_pressure, at least five whole strikes", Source: habits,
		pan: func(v *panView) evaporator.Result { return v.pDeparture }},
	{Class: plant.ClassPan, Name: "phase_time_usual", Dimension: plant.Duration, Low: 0, High: 1e9, batch: true,
		Meaning: "usual length of the present phase, waits not counted", Inputs: "phase_found, at least five whole strikes", Source: habits,
		pan: func(v *panView) evaporator.Result { return v.usualTime }},
	{Class: plant.ClassPan, Name: "phase_time_longest", Dimension: plant.Duration, Low: 0, High: 1e9, batch: true,
		Meaning: "the longest that is still usual for the present phase: waits so far are added, earlier stretches of the phase taken off", Inputs: "phase_found, at least five whole strikes", Source: habits,
		pan: func(v *panView) evaporator.Result { return v.longestTime }},
	{Class: plant.ClassPan, Name: "level_full_usual", Dimension: plant.Level, Low: 0, High: 150, batch: true,
		Meaning: "usual level at the end of the boiling", Inputs: "level, at least five whole strikes", Source: habits,
		pan: func(v *panView) evaporator.Result { return v.fullUsual }},
	{Class: plant.ClassPan, Name: "footing_usual", Dimension: plant.Level, Low: 0, High: 150, batch: true,
		Meaning: "usual level at the end of the charge", Inputs: "level, at least five whole strikes", Source: habits,
		pan: func(v *panView) evaporator.Result { return v.footingUsual }},
	{Class: plant.ClassPan, Name: "thermometer_offset_found", Dimension: plant.TempDifference, Low: -20, High: 20, batch: true,
		Meaning: "how much the massecuite thermometer reads above boiling water, beyond thermometer_offset_k of the configuration", Inputs: "massecuite_temperature and vapour_pressure in at least two wash-outs with water; else the usual supersaturation of the feed, taken to be 1.10, then assumed", Source: habits,
		pan: func(v *panView) evaporator.Result { return v.offsetFound }},
	{Class: plant.ClassPan, Name: "elevation_excess_found", Dimension: plant.TempDifference, Low: -20, High: 20, batch: true,
		Meaning: "how much the boiling-point elevation of this site's massecuites is above that of the equation and purity in the configuration", Inputs: "usual supersaturation of the feed, taken to be 1.10; thermometer_offset_found by water", Source: habits,
		pan: func(v *panView) evaporator.Result { return v.elevationFound }},
	{Class: plant.ClassPan, Name: "seed_ratio", Dimension: plant.Percent, Low: 0, High: 300, only: continuousPan,
		Meaning: "seed of a continuous pan, % of its massecuite; 25 to 33 is usual (from memory, no printed source)", Inputs: "seed_flow, massecuite_flow", Source: "definition",
		pan: func(v *panView) evaporator.Result { return v.seedRatio() }},

	{Class: plant.ClassCompartment, Name: "saturation_temperature", Dimension: plant.Temperature, Low: 0, High: 120,
		Meaning: "saturation temperature of the vapour space", Inputs: "vapour pressure of the pan", Source: if97,
		pan: func(v *panView) evaporator.Result { return v.saturation }},
	{Class: plant.ClassCompartment, Name: "boiling_point_elevation", Dimension: plant.TempDifference, Low: -5, High: 40, pairs: true,
		Meaning: "massecuite less saturation temperature, the head taken off", Inputs: "massecuite temperature, vapour pressure of the pan", Source: "definition",
		pan: func(v *panView) evaporator.Result { return v.elevation }},
	{Class: plant.ClassCompartment, Name: "mother_liquor_brix", Dimension: plant.BrixDim, Low: 0, High: 95, pairs: true,
		Meaning: "Brix of the mother liquor", Inputs: "liquor_brix, else boiling-point elevation and vapour pressure of the pan", Source: "instrument, or inverse of the elevation, package liquor",
		pan: func(v *panView) evaporator.Result { return v.brix }},
	{Class: plant.ClassCompartment, Name: "supersaturation", Dimension: plant.Ratio, Low: 0, High: 3, pairs: true,
		Meaning: "sucrose per water over its value at saturation, at the same temperature and purity", Inputs: "mother_liquor_brix, purity by liquor_purity or liquor_purity_pct, massecuite temperature", Source: "solubility by Vavrinecz or as configured, coefficient by Wiklund, package liquor",
		pan: func(v *panView) evaporator.Result { return v.supersaturation }},
	{Class: plant.ClassCompartment, Name: "crystal_content", Dimension: plant.Percent, Low: 0, High: 80, pairs: true,
		Meaning: "crystal, % on massecuite; it must rise along the pan", Inputs: "massecuite Brix, mother_liquor_brix", Source: "solids balance C = (Bmc - Bml)/(100 - Bml)",
		pan: func(v *panView) evaporator.Result { return v.crystal }},
	{Class: plant.ClassCompartment, Name: "temperature_difference", Dimension: plant.TempDifference, Low: -60, High: 120,
		Meaning: "calandria less massecuite", Inputs: "chest pressure (or the pan's, or the vapour that heats it less the pipe loss: then assumed), massecuite temperature", Source: if97,
		pan: func(v *panView) evaporator.Result { return v.difference }},
	{Class: plant.ClassCompartment, Name: "evaporation", Dimension: plant.MassFlow, Low: 0, High: 100,
		Meaning: "water evaporated in the compartment", Inputs: "steam flow to the compartment, chest and vapour pressure", Source: "heat balance without loss, S lambda(chest)/lambda(pan)",
		pan: func(v *panView) evaporator.Result { return v.evaporation }},
	{Class: plant.ClassCompartment, Name: "u", Dimension: plant.HeatTransfer, Low: 0.005, High: 8,
		Meaning: "heat-transfer coefficient of the compartment", Inputs: "steam flow, heating surface, temperature difference", Source: "U = q/(A dT)",
		pan: func(v *panView) evaporator.Result { return v.u }},
}

// Names lists the quantities of each class of equipment.
func Names() map[plant.Class][]string {
	names := map[plant.Class][]string{}
	for _, q := range Quantities {
		names[q.Class] = append(names[q.Class], q.Name)
	}
	return names
}
