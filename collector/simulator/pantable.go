package simulator

// phaseRow is one phase of a strike; values are those at its end, except the
// evaporation, which is that of the whole phase.
type phaseRow struct {
	name                string
	hours               float64
	levelFrom, levelTo  float64 // % of the full strike
	evaporationTH       float64
	massecuiteBx        float64 // dry substance
	liquorBx, liquorPty float64 // mother liquor: % solids, purity %
	crystalPct          float64 // % on massecuite
	supersaturation     float64
	massecuiteC         float64 // at the nominal pressure
	u                   float64 // W/(m2.K)
}

// panDesign is a vacuum pan of the mill.
type panDesign struct {
	name, grade string
	surfaceM2   float64
	volumeM3    float64
	strikeT     float64 // massecuite of a full strike, t
	pressureKPa float64 // nominal, absolute
	cycleH      float64
	use         float64 // part of the time that the pan is in a cycle
	rows        [6]phaseRow
}

// Phases of a strike in the plant's own sequence; 0 is idle.
const (
	PhaseIdle = iota
	PhaseCharge
	PhaseConcentrate
	PhaseFeed
	PhaseTighten
	PhaseDrop
	PhaseSteamOut
)

// panTable is invented; each strike closes its water balance.
var panTable = [3]panDesign{
	{name: "PA1", grade: "A", surfaceM2: 360, volumeM3: 60, strikeT: 88.2, pressureKPa: 16, cycleH: 3.3, use: 0.9515, rows: [6]phaseRow{
		{"Charge footing, raise vacuum", 0.2, 0, 30, 3.55321, 86.2027, 77.5814, 80, 38.4558, 1, 62.1111, 141.016},
		{"Concentrate to feed point", 0.25, 30, 30, 15.3973, 87.7369, 79.0538, 79, 41.4544, 1.08, 62.6727, 618.615},
		{"Feed on (build up)", 1.65, 30, 97, 15.9895, 90.5212, 80.552, 71, 51.2605, 1.1, 63.2848, 651.168},
		{"Tighten (brix up)", 0.45, 97, 100, 6.51423, 91.6922, 81.2669, 68, 55.652, 1.12, 63.5919, 267.118},
		{"Break vacuum, drop", 0.3, 100, 0, 0, 91.5616, 81.0063, 68, 55.5727, 1.1, 63.4789, 0},
		{"Steam-out, wash", 0.45, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0},
	}},
	{name: "PB1", grade: "B", surfaceM2: 230, volumeM3: 40, strikeT: 58.4, pressureKPa: 15, cycleH: 5.6, use: 0.9577, rows: [6]phaseRow{
		{"Charge footing, raise vacuum", 0.3, 0, 30, 0.800114, 82.5217, 80.0003, 64, 12.6075, 1, 61.6353, 49.2618},
		{"Concentrate to feed point", 0.4, 30, 30, 3.46716, 84.2704, 81.5371, 63, 14.8043, 1.1, 62.285, 216.49},
		{"Feed on (build up)", 3.3, 30, 96, 3.46716, 86.7166, 82.9298, 57, 22.1833, 1.14, 62.9137, 219.497},
		{"Tighten (brix up)", 0.8, 96, 100, 1.33352, 88.1362, 83.7873, 54, 26.8241, 1.18, 63.3204, 85.1876},
		{"Break vacuum, drop", 0.4, 100, 0, 0, 87.9844, 83.5902, 54, 26.7779, 1.16, 63.2255, 0},
		{"Steam-out, wash", 0.4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0},
	}},
	{name: "PC1", grade: "C", surfaceM2: 240, volumeM3: 40, strikeT: 58.8, pressureKPa: 14, cycleH: 9, use: 0.9563, rows: [6]phaseRow{
		{"Charge footing, raise vacuum", 0.4, 0, 35, 0.528423, 83.7422, 82.4451, 49, 7.38902, 1, 61.1776, 30.9198},
		{"Concentrate to feed point", 0.6, 35, 35, 2.28983, 85.3756, 83.9239, 48, 9.03011, 1.12, 61.8665, 135.979},
		{"Feed on (build up)", 5.3, 35, 95, 2.20176, 87.5972, 85.3908, 42, 15.103, 1.18, 62.595, 132.839},
		{"Tighten (brix up)", 1.6, 95, 100, 0.792634, 88.4658, 85.9863, 40, 17.6932, 1.22, 62.904, 48.1485},
		{"Break vacuum, drop", 0.6, 100, 0, 0, 88.3447, 85.8434, 40, 17.6689, 1.2, 62.8291, 0},
		{"Steam-out, wash", 0.5, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0},
	}},
}
