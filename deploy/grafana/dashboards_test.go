package grafana

//lint:file-ignore SA1019 The classic form of a dashboard: the newer one needs a newer Grafana than most sites run.

import (
	"fmt"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/statetimeline"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
	"github.com/grafana/grafana-foundation-sdk/go/units"
)

// dashboards are built anew by each test run and compared with the files.
var dashboards = []struct {
	file  string
	build func() (dashboard.Dashboard, error)
}{
	{"evaporator.json", evaporatorSet},
	{"pans.json", pans},
	{"vacuum.json", vacuum},
	{"program.json", program},
	{"houses.json", houses},
}

const caution = "Calandria advises and is no safety system. Site procedures, interlocks and relief devices come first."

// Units that Grafana has no name for.
const (
	tonnesPerHour = "suffix: t/h"
	uUnit         = "suffix: W/(m²·K)"
	scaleUnit     = "suffix: m²·K/kW"
	specificUnit  = "suffix: kg/(m²·h)"
)

var source = common.DataSourceRef{Type: cog.ToPtr("prometheus"), Uid: cog.ToPtr("${datasource}")}

// query is one PromQL expression and what its series are called.
type query struct{ expr, legend string }

// Selectors of the variables.
const (
	ofSet       = `{instance="$instance",set="$set"}`
	ofBody      = `{instance="$instance",set="$set",body=~"$body"}`
	ofPan       = `{instance="$instance",pan=~"$pan"}`
	ofCondenser = `{instance="$instance",condenser=~"$condenser"}`
	ofProgram   = `{instance="$instance"}`
	ofHouse     = `{site=~"$site"}`
)

// lines is a panel of curves. Its legend is a table with the last, the least
// and the greatest value.
func lines(title, text, unit string, w uint32, qs ...query) *timeseries.PanelBuilder {
	p := timeseries.NewPanelBuilder().Title(title).Description(text).Datasource(source).
		Unit(unit).Span(w).Height(9).
		LineWidth(1).FillOpacity(0).ShowPoints(common.VisibilityModeNever).
		// A gap in the values is a gap in the curve: no value is not the last value.
		SpanNulls(common.BoolOrFloat64{Bool: cog.ToPtr(false)}).
		Legend(common.NewVizLegendOptionsBuilder().DisplayMode(common.LegendDisplayModeTable).
			Placement(common.LegendPlacementBottom).ShowLegend(true).Calcs([]string{"lastNotNull", "min", "max"})).
		Tooltip(common.NewVizTooltipOptionsBuilder().Mode(common.TooltipDisplayModeMulti).Sort(common.SortOrderNone))
	for i, q := range qs {
		p = p.WithTarget(prometheus.NewDataqueryBuilder().Datasource(source).Range().
			RefId(string(rune('A' + i))).Expr(q.expr).LegendFormat(q.legend))
	}
	return p
}

// number is a panel of single figures.
func number(title, text, unit string, w uint32, steps []dashboard.Threshold, qs ...query) *stat.PanelBuilder {
	p := stat.NewPanelBuilder().Title(title).Description(text).Datasource(source).
		Unit(unit).Span(w).Height(4).NoValue("no value").
		ColorMode(common.BigValueColorModeValue).GraphMode(common.BigValueGraphModeArea).
		ReduceOptions(common.NewReduceDataOptionsBuilder().Calcs([]string{"last"}))
	if steps == nil {
		steps = plain
	}
	p = p.Thresholds(dashboard.NewThresholdsConfigBuilder().Mode(dashboard.ThresholdsModeAbsolute).Steps(steps))
	for i, q := range qs {
		p = p.WithTarget(prometheus.NewDataqueryBuilder().Datasource(source).Range().
			RefId(string(rune('A' + i))).Expr(q.expr).LegendFormat(q.legend))
	}
	return p
}

// states is a panel of bars in time; words gives the text and colour of values.
func states(title, text string, w, h uint32, words []word, q query) *statetimeline.PanelBuilder {
	m := map[string]dashboard.ValueMappingResult{}
	for i, x := range words {
		m[x.value] = dashboard.ValueMappingResult{Text: cog.ToPtr(x.text), Color: cog.ToPtr(x.colour), Index: cog.ToPtr(int32(i))}
	}
	return statetimeline.NewPanelBuilder().Title(title).Description(text).Datasource(source).
		Span(w).Height(h).ShowValue(common.VisibilityModeAuto).MergeValues(true).
		Mappings([]dashboard.ValueMapping{{ValueMap: &dashboard.ValueMap{Type: dashboard.MappingTypeValueToText, Options: m}}}).
		Thresholds(dashboard.NewThresholdsConfigBuilder().Mode(dashboard.ThresholdsModeAbsolute).Steps(plain)).
		Legend(common.NewVizLegendOptionsBuilder().DisplayMode(common.LegendDisplayModeList).
			Placement(common.LegendPlacementBottom).ShowLegend(true)).
		WithTarget(prometheus.NewDataqueryBuilder().Datasource(source).Range().RefId("A").Expr(q.expr).LegendFormat(q.legend))
}

type word struct{ value, text, colour string }

var (
	plain = []dashboard.Threshold{{Value: nil, Color: "text"}}
	// okIsOne colours a fact that should be 1.
	okIsOne = []dashboard.Threshold{{Value: nil, Color: "red"}, {Value: cog.ToPtr(1.0), Color: "text"}}
	// zeroIsOK colours a count that should be 0.
	zeroIsOK = []dashboard.Threshold{{Value: nil, Color: "text"}, {Value: cog.ToPtr(1.0), Color: "orange"}}
)

// board starts a dashboard with the data source and the instance to look at.
func board(uid, title, text string) *dashboard.DashboardBuilder {
	return boardOf(uid, title, text, ofProgram, "", variable("instance", "Calandria", "label_values(calandria_archive_ok, instance)", false)).
		Link(dashboard.NewDashboardLinkBuilder("Console").Type(dashboard.DashboardLinkTypeLink).Url("http://$instance/trends").
			Tooltip("The console of this Calandria, if it is reached under the same address").TargetBlank(true))
}

// boardOf starts a dashboard of what a selector takes; who begins the words of marks.
func boardOf(uid, title, text, of, who string, v *dashboard.QueryVariableBuilder) *dashboard.DashboardBuilder {
	return dashboard.NewDashboardBuilder(title).Uid(uid).Description(text+" "+caution).
		Tags([]string{"calandria"}).Timezone(common.TimeZoneBrowser).Refresh("10s").Time("now-8h", "now").
		Tooltip(dashboard.DashboardCursorSyncCrosshair).Editable().
		WithVariable(dashboard.NewDatasourceVariableBuilder("datasource").Label("Data source").Type("prometheus")).
		WithVariable(v).
		Annotation(marked("Alarms", "orange", "calandria_alarm_active"+of+" == 1", who+"{{alarm}}", "priority")).
		Annotation(marked("Cleanings", "blue", "calandria_body_cleaning"+of+" == 1", who+"{{set}} {{body}} is being cleaned", "body")).
		Link(dashboard.NewDashboardLinkBuilder("Calandria").Type(dashboard.DashboardLinkTypeDashboards).Tags([]string{"calandria"}).
			AsDropdown(false).IncludeVars(true).KeepTime(true).TargetBlank(false))
}

// marked puts a mark on all panels where an expression has a value.
func marked(name, colour, expr, title, tags string) *dashboard.AnnotationQueryBuilder {
	return dashboard.NewAnnotationQueryBuilder().Name(name).Datasource(source).Enable(true).IconColor(colour).
		Expr(expr).TitleFormat(title).TagKeys(tags).Step("60s")
}

// variable offers the values of a label.
func variable(name, label, values string, many bool) *dashboard.QueryVariableBuilder {
	v := dashboard.NewQueryVariableBuilder(name).Label(label).Datasource(source).
		Query(dashboard.StringOrMap{Map: map[string]any{"query": values, "refId": "PrometheusVariableQueryEditor-VariableQuery"}}).
		Definition(values).Refresh(dashboard.VariableRefreshOnTimeRangeChanged).Sort(dashboard.VariableSortNaturalAsc)
	if many {
		v = v.Multi(true).IncludeAll(true).Current(dashboard.VariableOption{
			Selected: cog.ToPtr(true),
			Text:     dashboard.StringOrArrayOfString{ArrayOfString: []string{"All"}},
			Value:    dashboard.StringOrArrayOfString{ArrayOfString: []string{"$__all"}},
		})
	}
	return v
}

func row(title string) *dashboard.RowBuilder { return dashboard.NewRowBuilder(title) }

func evaporatorSet() (dashboard.Dashboard, error) {
	return board("calandria-evaporator", "Evaporator set", "One multiple-effect evaporator set and its bodies.").
		WithVariable(variable("set", "Set", `label_values(calandria_body_vapour_saturation_temperature_celsius{instance="$instance"}, set)`, false)).
		WithVariable(variable("body", "Body", `label_values(calandria_body_vapour_saturation_temperature_celsius{instance="$instance",set="$set"}, body)`, true)).
		WithPanel(number("Evaporation", "Water evaporated by the set.", tonnesPerHour, 4, nil, query{"calandria_set_evaporation_kilograms_per_second" + ofSet + " * 3.6", "evaporation"}).Decimals(1)).
		WithPanel(number("Economy", "Water evaporated per steam, steam by heat balance.", units.Short, 4, nil, query{"calandria_set_economy_ratio" + ofSet, "economy"}).Decimals(2)).
		WithPanel(number("Economy, bleeds at full value", "About the number of effects when the set is in good order.", units.Short, 4, nil, query{"calandria_set_economy_corrected_ratio" + ofSet, "economy"}).Decimals(2)).
		WithPanel(number("Syrup Brix", "Syrup leaving the last body, measured.", "suffix: °Bx", 4, nil, query{"calandria_set_syrup_brix_ratio" + ofSet + " * 100", "syrup"}).Decimals(1)).
		WithPanel(number("Temperature difference of the set", "First calandria less last vapour space.", units.Kelvin, 4, nil, query{"calandria_set_total_temperature_difference_kelvin" + ofSet, "difference"}).Decimals(1)).
		WithPanel(number("Least U ratio", "U over U of the clean body, of the body that has lost most.", units.PercentUnit, 4, nil,
			query{"bottomk(1, calandria_body_u_ratio" + ofSet + ")", "{{body}}"}).Decimals(0).TextMode(common.BigValueTextModeValueAndName)).
		WithRow(row("Ladder of temperatures")).
		WithPanel(lines("Calandria, boiling juice and vapour of each body", "Saturation temperatures from the pressures. The juice boils above its vapour by the boiling-point elevation; calandria less juice is the difference that drives the body.", units.Celsius, 24,
			query{"calandria_body_chest_saturation_temperature_celsius" + ofBody, "{{body}} calandria"},
			query{"calandria_body_boiling_temperature_celsius" + ofBody, "{{body}} juice"},
			query{"calandria_body_vapour_saturation_temperature_celsius" + ofBody, "{{body}} vapour"}).Height(12)).
		WithPanel(lines("Useful temperature difference", "Calandria less boiling juice. It moves to the body that scales.", units.Kelvin, 12,
			query{"calandria_body_temperature_difference_kelvin" + ofBody, "{{body}}"})).
		WithPanel(lines("Boiling-point elevation", "From Brix, purity and pressure, and where there is a juice thermometer as measured.", units.Kelvin, 12,
			query{"calandria_body_boiling_point_elevation_kelvin" + ofBody, "{{body}}"},
			query{"calandria_body_boiling_point_elevation_measured_kelvin" + ofBody, "{{body}} measured"})).
		WithRow(row("Heat transfer and scale")).
		WithPanel(lines("U", "Heat-transfer coefficient on calandria less boiling juice.", uUnit, 12,
			query{"calandria_body_u_watts_per_square_meter_kelvin" + ofBody, "{{body}}"}).Min(0)).
		WithPanel(lines("U over clean U", "Falls as scale builds up; a cleaning brings it back. Planning information: never permission to open or enter a vessel.", units.PercentUnit, 12,
			query{"calandria_body_u_ratio" + ofBody, "{{body}}"}).Min(0)).
		WithPanel(lines("Scale resistance", "Resistance added since the body was clean, 1/U less 1/U of the clean body.", scaleUnit, 12,
			query{"calandria_body_scale_resistance_square_meter_kelvin_per_watt" + ofBody + " * 1000", "{{body}}"})).
		WithPanel(lines("Calandria saturation less its thermometer", "Beyond 1.5 K it suggests incondensable gas in the calandria.", units.Kelvin, 12,
			query{"calandria_body_gas_depression_kelvin" + ofBody, "{{body}}"})).
		WithPanel(lines("Days until the cleaning limit", "By the trend of U, with the ends of its 90 % band. Planning information: never permission to open or enter a vessel.", "suffix: d", 12,
			query{"calandria_body_cleaning_due_seconds" + ofBody + " / 86400", "{{body}}"},
			query{"calandria_body_cleaning_due_early_seconds" + ofBody + " / 86400", "{{body}} early"},
			query{"calandria_body_cleaning_due_late_seconds" + ofBody + " / 86400", "{{body}} late"}).Min(0)).
		WithPanel(lines("Days in service", "Since the last cleaning that was recorded or found.", "suffix: d", 12,
			query{"calandria_body_days_in_service_seconds" + ofBody + " / 86400", "{{body}}"}).Min(0)).
		WithRow(row("Evaporation and Brix")).
		WithPanel(lines("Evaporation of each body", "By mass and heat balances of the set.", tonnesPerHour, 12,
			query{"calandria_body_evaporation_kilograms_per_second" + ofBody + " * 3.6", "{{body}}"})).
		WithPanel(lines("Brix profile", "Juice in and syrup out as measured, Brix of the juice leaving each body as calculated.", "suffix: °Bx", 12,
			query{"calandria_set_juice_brix_ratio" + ofSet + " * 100", "juice in"},
			query{"calandria_body_brix_out_ratio" + ofBody + " * 100", "{{body}}"},
			query{"calandria_set_syrup_brix_ratio" + ofSet + " * 100", "syrup"})).
		WithPanel(lines("Specific evaporation", "Water evaporated per heating surface.", specificUnit, 12,
			query{"calandria_body_specific_evaporation_kilograms_per_square_meter_second" + ofBody + " * 3600", "{{body}}"})).
		WithPanel(lines("Economy", "Water evaporated per steam, the steam by balance and by its meter.", units.Short, 12,
			query{"calandria_set_economy_ratio" + ofSet, "by balance"},
			query{"calandria_set_economy_measured_ratio" + ofSet, "by meter"},
			query{"calandria_set_economy_corrected_ratio" + ofSet, "bleeds at full value"})).
		WithRow(row("Pressures, flows and levels")).
		WithPanel(lines("Pressures", "Absolute.", units.Kilopascals, 12,
			query{"calandria_set_header_pressure_pascals" + ofSet + " / 1000", "exhaust header"},
			query{"calandria_set_steam_pressure_pascals" + ofSet + " / 1000", "steam to the first effect"},
			query{"calandria_body_vapour_pressure_pascals" + ofBody + " / 1000", "{{body}} vapour"})).
		WithPanel(lines("Juice, syrup and steam", "Mass flows.", tonnesPerHour, 12,
			query{"calandria_set_juice_in_flow_kilograms_per_second" + ofSet + " * 3.6", "juice in"},
			query{"calandria_set_syrup_flow_kilograms_per_second" + ofSet + " * 3.6", "syrup, measured"},
			query{"calandria_set_syrup_calculated_kilograms_per_second" + ofSet + " * 3.6", "syrup, by balance"},
			query{"calandria_set_steam_flow_kilograms_per_second" + ofSet + " * 3.6", "steam, measured"},
			query{"calandria_set_steam_calculated_kilograms_per_second" + ofSet + " * 3.6", "steam, by balance"})).
		WithPanel(lines("Juice levels", "% of the tube length.", units.PercentUnit, 12,
			query{"calandria_body_level_ratio" + ofBody, "{{body}}"}).Min(0)).
		WithPanel(lines("Balances that should close", "Beyond a few percent an instrument is wrong.", units.PercentUnit, 12,
			query{"calandria_set_solids_closure_ratio" + ofSet, "solids out over in"},
			query{"calandria_set_heat_closure_ratio" + ofSet, "heat of the measured steam"},
			query{"calandria_set_steam_difference_ratio" + ofSet, "steam meter less balance"},
			query{"calandria_set_rillieux_residual_ratio" + ofSet, "Rillieux count less balance"})).
		Build()
}

// Zones of supersaturation: common practice for sucrose solutions, no source;
// the same limits as on the console's strike ribbon.
var zones = []dashboard.Threshold{
	{Value: nil, Color: "blue"},
	{Value: cog.ToPtr(1.0), Color: "transparent"},
	{Value: cog.ToPtr(1.2), Color: "yellow"},
	{Value: cog.ToPtr(1.3), Color: "red"},
}

func pans() (dashboard.Dashboard, error) {
	return board("calandria-pans", "Vacuum pans", "The strikes in the vacuum pans.").
		WithVariable(variable("pan", "Pan", `label_values(calandria_pan_vapour_pressure_pascals{instance="$instance"}, pan)`, true)).
		WithPanel(lines("Supersaturation", "Below 1 crystals dissolve (blue). 1 to 1.2: they grow, none form. 1.2 to 1.3: false grain may form where crystals are (yellow). Above 1.3 grain forms by itself (red). Common practice; the site's own limits go first.", "none", 24,
			query{"calandria_pan_supersaturation_ratio" + ofPan, "{{pan}}"}).Height(11).Decimals(2).AxisSoftMin(0.9).AxisSoftMax(1.4).
			ColorScheme(dashboard.NewFieldColorBuilder().Mode(dashboard.FieldColorModeIdPaletteClassicByName)).
			Thresholds(dashboard.NewThresholdsConfigBuilder().Mode(dashboard.ThresholdsModeAbsolute).Steps(zones)).
			ThresholdsStyle(common.NewGraphThresholdsStyleConfigBuilder().Mode(common.GraphThresholdsStyleModeDashedAndArea))).
		WithRow(row("Strike")).
		WithPanel(states("Phase found", "Phase of the strike as the tags show it.", 24, 7, []word{
			{"1", "idle", "text"}, {"2", "charge", "light-blue"}, {"3", "concentrate", "blue"}, {"4", "graining", "purple"},
			{"5", "feed on", "light-green"}, {"6", "tighten", "green"}, {"7", "drop", "light-yellow"}, {"8", "steam-out", "light-orange"}},
			query{"calandria_pan_phase_found" + ofPan, "{{pan}}"})).
		WithPanel(lines("Level", "% of the full strike.", units.PercentUnit, 12,
			query{"calandria_pan_level_ratio" + ofPan, "{{pan}}"}).Min(0)).
		WithPanel(lines("Phase", "Number of the plant's own sequence.", "none", 12,
			query{"calandria_pan_phase" + ofPan, "{{pan}}"}).Decimals(0).LineInterpolation(common.LineInterpolationStepAfter)).
		WithPanel(lines("Boiling-point elevation", "Massecuite less saturation temperature, the head taken off.", units.Kelvin, 12,
			query{"calandria_pan_boiling_point_elevation_kelvin" + ofPan, "{{pan}}"})).
		WithPanel(lines("Temperatures", "Massecuite as measured, saturation from the pressure.", units.Celsius, 12,
			query{"calandria_pan_massecuite_temperature_celsius" + ofPan, "{{pan}} massecuite"},
			query{"calandria_pan_saturation_temperature_celsius" + ofPan, "{{pan}} saturation"})).
		WithPanel(lines("Brix", "Mother liquor by calculation, massecuite as measured.", "suffix: °Bx", 12,
			query{"calandria_pan_mother_liquor_brix_ratio" + ofPan + " * 100", "{{pan}} mother liquor"},
			query{"calandria_pan_massecuite_brix_ratio" + ofPan + " * 100", "{{pan}} massecuite"})).
		WithPanel(lines("Consistency and stirrer", "Consistency of the massecuite.", units.PercentUnit, 6,
			query{"calandria_pan_consistency_ratio" + ofPan, "{{pan}}"})).
		WithPanel(lines("Stirrer current", "", units.Ampere, 6,
			query{"calandria_pan_stirrer_current_amperes" + ofPan, "{{pan}}"}).Description("Current of the stirrer's motor.")).
		WithRow(row("Heat")).
		WithPanel(lines("Pressures", "Vapour space and calandria, absolute.", units.Kilopascals, 12,
			query{"calandria_pan_vapour_pressure_pascals" + ofPan + " / 1000", "{{pan}} vapour"},
			query{"calandria_pan_chest_pressure_pascals" + ofPan + " / 1000", "{{pan}} calandria"})).
		WithPanel(lines("Steam, feed and evaporation", "Mass flows.", tonnesPerHour, 12,
			query{"calandria_pan_steam_flow_kilograms_per_second" + ofPan + " * 3.6", "{{pan}} steam"},
			query{"calandria_pan_feed_flow_kilograms_per_second" + ofPan + " * 3.6", "{{pan}} feed"},
			query{"calandria_pan_evaporation_kilograms_per_second" + ofPan + " * 3.6", "{{pan}} evaporation"})).
		WithPanel(lines("U", "Heat-transfer coefficient of the pan; it falls as the massecuite thickens.", uUnit, 12,
			query{"calandria_pan_u_watts_per_square_meter_kelvin" + ofPan, "{{pan}}"}).Min(0)).
		WithPanel(lines("Temperature difference", "Calandria less massecuite.", units.Kelvin, 12,
			query{"calandria_pan_temperature_difference_kelvin" + ofPan, "{{pan}}"})).
		Build()
}

func vacuum() (dashboard.Dashboard, error) {
	return board("calandria-vacuum", "Condensers and vacuum", "Condensers of the evaporator sets and of the vacuum pans.").
		WithVariable(variable("condenser", "Condenser", `label_values(calandria_condenser_water_inlet_temperature_celsius{instance="$instance"}, condenser)`, true)).
		WithPanel(lines("Vapour pressure", "Absolute. Lower is more vacuum.", units.Kilopascals, 24,
			query{"calandria_condenser_vapour_pressure_pascals" + ofCondenser + " / 1000", "{{condenser}}"}).Height(10)).
		WithPanel(lines("Approach", "Vapour saturation less tail water. It grows with air and with fouled internals.", units.Kelvin, 12,
			query{"calandria_condenser_approach_kelvin" + ofCondenser, "{{condenser}}"})).
		WithPanel(lines("Rise", "Tail water less injection water. It grows when water is short.", units.Kelvin, 12,
			query{"calandria_condenser_rise_kelvin" + ofCondenser, "{{condenser}}"})).
		WithPanel(lines("Temperatures", "Injection and tail water as measured, saturation from the pressure.", units.Celsius, 12,
			query{"calandria_condenser_water_inlet_temperature_celsius" + ofCondenser, "{{condenser}} injection water"},
			query{"calandria_condenser_water_outlet_temperature_celsius" + ofCondenser, "{{condenser}} tail water"},
			query{"calandria_condenser_saturation_temperature_celsius" + ofCondenser, "{{condenser}} saturation"})).
		WithPanel(lines("Injection water", "As measured.", tonnesPerHour, 12,
			query{"calandria_condenser_water_flow_kilograms_per_second" + ofCondenser + " * 3.6", "{{condenser}}"}).Min(0)).
		WithPanel(lines("Water needed per vapour", "By heat balance, kg of water a kg of vapour.", "suffix: kg/kg", 12,
			query{"calandria_condenser_water_ratio" + ofCondenser, "{{condenser}}"})).
		WithPanel(lines("Duty", "Heat taken up by the water.", units.Watt, 12,
			query{"calandria_condenser_duty_watts" + ofCondenser, "{{condenser}}"})).
		WithPanel(states("Vacuum pumps", "From the pumps' own signals.", 24, 6, []word{{"1", "running", "text"}, {"0", "stopped", "orange"}},
			query{"calandria_condenser_pump_running" + ofCondenser, "{{condenser}}"})).
		Build()
}

func houses() (dashboard.Dashboard, error) {
	const set = "{{site}} {{set}}"
	return boardOf("calandria-houses", "Houses", "Several boiling houses in one store, told apart by the label site.", ofHouse, "{{site}}: ",
		variable("site", "House", "label_values(calandria_archive_ok, site)", true)).
		WithPanel(number("Houses seen", "Calandrias whose values arrive.", "none", 4, nil, query{"count(count by (site) (calandria_archive_ok" + ofHouse + "))", "houses"})).
		WithPanel(number("Alarms that hold", "Conditions that hold now, after deadband and delays.", "none", 10, zeroIsOK,
			query{"sum by (site) (calandria_alarm_active" + ofHouse + ")", "{{site}}"}).TextMode(common.BigValueTextModeValueAndName)).
		WithPanel(number("Records", "1 while values are archived and events journalled.", "none", 10, okIsOne,
			query{"min by (site) (calandria_archive_ok" + ofHouse + " * calandria_journal_ok" + ofHouse + ")", "{{site}}"}).TextMode(common.BigValueTextModeValueAndName)).
		WithRow(row("Steam and water")).
		WithPanel(lines("Steam on cane", "Steam to the set on cane or beet: the figure to compare houses by.", units.PercentUnit, 12,
			query{"calandria_set_steam_on_cane_ratio" + ofHouse, set}).Min(0)).
		WithPanel(lines("Economy, bleeds at full value", "About the number of effects when the set is in good order.", units.Short, 12,
			query{"calandria_set_economy_corrected_ratio" + ofHouse, set}).Min(0)).
		WithPanel(lines("Evaporation", "Water evaporated by each set.", tonnesPerHour, 12,
			query{"calandria_set_evaporation_kilograms_per_second" + ofHouse + " * 3.6", set}).Min(0)).
		WithPanel(lines("Syrup Brix", "Syrup leaving the last body, measured.", "suffix: °Bx", 12,
			query{"calandria_set_syrup_brix_ratio" + ofHouse + " * 100", set})).
		WithRow(row("Scale and vacuum")).
		WithPanel(lines("Least U over clean U", "Of the body of each set that has lost most.", units.PercentUnit, 12,
			query{"min by (site, set) (calandria_body_u_ratio" + ofHouse + ")", set}).Min(0)).
		WithPanel(lines("Days until the next cleaning", "Of the body of each set that is due first, by the trend. Planning information: never permission to open or enter a vessel.", "suffix: d", 12,
			query{"min by (site, set) (calandria_body_cleaning_due_seconds" + ofHouse + ") / 86400", set}).Min(0)).
		WithPanel(lines("Vacuum at the condensers", "Absolute. Lower is more vacuum.", units.Kilopascals, 12,
			query{"calandria_condenser_vapour_pressure_pascals" + ofHouse + " / 1000", "{{site}} {{condenser}}"})).
		WithPanel(lines("Supersaturation", "Of each pan.", "none", 12,
			query{"calandria_pan_supersaturation_ratio" + ofHouse, "{{site}} {{pan}}"}).Decimals(2)).
		WithRow(row("The programs")).
		WithPanel(lines("Samples", "Archived at each house.", units.CountsPerSecond, 12,
			query{"sum by (site) (rate(calandria_archive_stored_total" + ofHouse + "[$__rate_interval]))", "{{site}}"}).Min(0)).
		WithPanel(lines("Instruments without a value", "Measured tags without a usable value.", units.PercentUnit, 12,
			query{"calandria_bad_tags_ratio" + ofHouse, "{{site}}"}).Min(0)).
		Build()
}

func program() (dashboard.Dashboard, error) {
	rate := func(name string) string { return fmt.Sprintf("rate(%s%s[$__rate_interval])", name, ofProgram) }
	return board("calandria-program", "Calandria itself", "Whether the program sees, records and keeps up, and what state its alarms are in.").
		WithPanel(number("Archive", "1 while values can be archived.", "none", 3, okIsOne, query{"calandria_archive_ok" + ofProgram, "archive"})).
		WithPanel(number("Journal", "1 while events can be journalled.", "none", 3, okIsOne, query{"calandria_journal_ok" + ofProgram, "journal"})).
		WithPanel(number("Forwarding", "1 while values reach InfluxDB, or none is configured.", "none", 3, okIsOne, query{"calandria_forward_ok" + ofProgram, "forwarding"})).
		WithPanel(number("Servers connected", "Of all OPC UA servers.", units.PercentUnit, 3, okIsOne, query{"avg(calandria_source_connected" + ofProgram + ")", "connected"})).
		WithPanel(number("Age of the last sample", "Of any server.", units.Seconds, 3, []dashboard.Threshold{{Value: nil, Color: "text"}, {Value: cog.ToPtr(30.0), Color: "red"}}, query{"calandria_sample_age_seconds" + ofProgram, "age"})).
		WithPanel(number("Instruments without a value", "Measured tags without a usable value.", units.PercentUnit, 3, []dashboard.Threshold{{Value: nil, Color: "text"}, {Value: cog.ToPtr(0.05), Color: "orange"}, {Value: cog.ToPtr(0.2), Color: "red"}}, query{"calandria_bad_tags_ratio" + ofProgram, "share"})).
		WithPanel(number("Rules at fault", "Rules that cannot be evaluated for a fault of their own.", "none", 3, zeroIsOK, query{"calandria_rule_faults" + ofProgram, "rules"})).
		WithPanel(number("Events waiting", "Events in memory, waiting for the disk.", "none", 3, zeroIsOK, query{"calandria_journal_waiting" + ofProgram, "events"})).
		WithRow(row("Alarms")).
		WithPanel(lines("Alarms by state", "All but the normal ones. States of ISA-18.2: UNACK unacknowledged, ACKED acknowledged, RTNUN returned unacknowledged, SHLVD shelved, DSUPR suppressed by design, OOSRV out of service, LTUNK and LTACK latched.", "none", 12,
			query{`sum by (state) (calandria_alarms{instance="$instance",state!="NORM"})`, "{{state}}"}).Decimals(0).Min(0).
			LineInterpolation(common.LineInterpolationStepAfter)).
		WithPanel(lines("Conditions that hold, by priority", "After deadband and delays, whatever the alarm's state.", "none", 12,
			query{"sum by (priority) (calandria_alarm_active" + ofProgram + ")", "{{priority}}"}).Decimals(0).Min(0).
			LineInterpolation(common.LineInterpolationStepAfter)).
		WithPanel(states("Alarms whose condition holds", "One bar an alarm. Acknowledge and read causes on the console.", 24, 9, []word{{"1", "active", "orange"}},
			query{"calandria_alarm_active" + ofProgram + " == 1", "{{alarm}}"})).
		WithRow(row("OPC UA")).
		WithPanel(states("Servers", "Connection to each OPC UA server.", 12, 9, []word{{"1", "connected", "text"}, {"0", "not connected", "red"}},
			query{"calandria_source_connected" + ofProgram, "{{source}}"})).
		WithPanel(lines("Samples", "Received from each server.", units.CountsPerSecond, 12,
			query{rate("calandria_opcua_samples_total"), "{{server}}"}).Min(0)).
		WithPanel(lines("Trouble on the line", "Reconnections, holes in the notifications, messages lost for good, overflows of the server's queues, stalls of the program.", "none", 12,
			query{`increase(calandria_opcua_reconnects_total{instance="$instance"}[$__rate_interval])`, "{{server}} reconnections"},
			query{`increase(calandria_opcua_gaps_total{instance="$instance"}[$__rate_interval])`, "{{server}} holes"},
			query{`increase(calandria_opcua_lost_total{instance="$instance"}[$__rate_interval])`, "{{server}} lost"},
			query{`increase(calandria_opcua_overflows_total{instance="$instance"}[$__rate_interval])`, "{{server}} overflows"},
			query{`increase(calandria_opcua_stalls_total{instance="$instance"}[$__rate_interval])`, "{{server}} stalls"}).Min(0)).
		WithPanel(lines("Clock of the server less own", "Median.", units.Seconds, 12,
			query{"calandria_opcua_clock_skew_seconds" + ofProgram, "{{server}}"})).
		WithRow(row("Archive and loop")).
		WithPanel(lines("Samples archived and refused", "", units.CountsPerSecond, 12,
			query{rate("calandria_archive_stored_total"), "stored"},
			query{rate("calandria_archive_refused_total"), "refused"},
			query{rate("calandria_samples_late_total"), "late"},
			query{rate("calandria_samples_future_total"), "from the future"}).Min(0).
			Description("Late samples and those from the future are archived, not evaluated; refused ones are lost.")).
		WithPanel(lines("Waiting for the disk", "Samples and events in memory.", "none", 12,
			query{"calandria_archive_pending" + ofProgram, "samples"},
			query{"calandria_journal_waiting" + ofProgram, "events"}).Min(0)).
		WithPanel(lines("Time of a scan", "Quantities, rules and alarms.", units.Seconds, 12,
			query{`histogram_quantile(0.5, sum by (le) (rate(calandria_scan_duration_seconds_bucket{instance="$instance"}[$__rate_interval])))`, "median"},
			query{`histogram_quantile(0.99, sum by (le) (rate(calandria_scan_duration_seconds_bucket{instance="$instance"}[$__rate_interval])))`, "99 of 100"}).Min(0)).
		WithPanel(lines("Scans that took too long", "Longer than the scan interval.", "none", 12,
			query{`increase(calandria_scans_overrun_total{instance="$instance"}[$__rate_interval])`, "scans"}).Min(0)).
		WithPanel(lines("Memory", "Resident.", units.BytesIEC, 12, query{"process_resident_memory_bytes" + ofProgram, "memory"}).Min(0)).
		WithPanel(lines("Processor", "Cores in use.", "none", 12, query{rate("process_cpu_seconds_total"), "cores"}).Min(0)).
		Build()
}
