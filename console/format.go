package console

import (
	"math"
	"strconv"
	"strings"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo"
)

const dash = "–" // an absent value

// unitText is how the unit of a tag is written where nobody chose another.
func unitText(t *plant.Tag) words.Text {
	switch {
	case t.Name == "u_ratio":
		return "% of clean"
	case strings.HasPrefix(t.Name, "economy"):
		return "t/t"
	case t.Dimension == plant.Ratio:
		return "ratio"
	case t.Dimension == plant.State:
		return ""
	}
	return unitWord(t.Unit)
}

// unitWord writes a unit. Absolute pressure is always written out.
func unitWord(unit string) words.Text {
	switch unit {
	case "kPa":
		return "kPa abs"
	case "1":
		return ""
	case "degC":
		return "°C"
	}
	return words.Text(unitSigns.Replace(unit))
}

var unitSigns = strings.NewReplacer("m2", "m²", "m3", "m³", ".K", "·K", ".h", "·h", "uS", "µS")

// places is the one number format of each dimension: decimals shown.
var places = map[plant.Dimension]int{
	plant.Pressure:       1,
	plant.PressureDiff:   1,
	plant.Temperature:    1,
	plant.TempDifference: 1,
	plant.MassFlow:       1,
	plant.VolumeFlow:     1,
	plant.BrixDim:        1,
	plant.Percent:        1,
	plant.Level:          0,
	plant.Conductivity:   0,
	plant.Power:          0,
	plant.HeatTransfer:   2,
	plant.ThermalResist:  3,
	plant.SpecificEvap:   1,
	plant.Velocity:       1,
	plant.Ratio:          2,
	plant.Current:        1,
	plant.Density:        0,
	plant.Duration:       1,
	plant.Mass:           1,
}

var onOff = map[string][2]words.Text{
	"in_service":         {"by-passed", "in service"},
	"cleaning":           {"not cleaning", "cleaning"},
	"pump_running":       {"stopped", "running"},
	"water_pump_running": {"stopped", "running"},
}

// number formats a value of a tag, without its unit.
func (s *Server) number(t *plant.Tag, v float64) words.Text { return numberIn(t, s.unit(t), v) }

// numberIn formats it in a unit.
func numberIn(t *plant.Tag, u shownUnit, v float64) words.Text {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return dash
	}
	switch t.Dimension {
	case plant.State:
		w, ok := onOff[t.Name]
		if !ok {
			w = [2]words.Text{"no", "yes"}
		}
		if v >= 0.5 {
			return w[1]
		}
		return w[0]
	case plant.AnyDimension:
		return words.Text(strconv.FormatFloat(v, 'g', 4, 64))
	}
	return decimals(u.of(v), u.digits)
}

// smallDifference names the differences of a few tenths of a kelvin, which
// need a decimal more.
func smallDifference(name string) bool {
	return strings.Contains(name, "elevation") || name == "gas_depression" || name == "temperature_mismatch"
}

// decimals writes a number with a true minus sign and without a minus zero.
func decimals(v float64, n int) words.Text {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return dash
	}
	text := strconv.FormatFloat(v, 'f', n, 64)
	if strings.HasPrefix(text, "-") {
		if strings.Trim(text, "-0.") == "" {
			return words.Text(text[1:])
		}
		return words.Text("−" + text[1:])
	}
	return words.Text(text)
}

// span writes a length of time for a person: "45 s", "12 min", "3 h 05 min".
func span(d time.Duration) words.Text {
	if d < 0 {
		d = 0
	}
	switch {
	case d < 2*time.Minute:
		return words.Say("%d s", int(d.Seconds()))
	case d < 2*time.Hour:
		return words.Say("%d min", int(d.Minutes()))
	case d < 48*time.Hour && int(d.Minutes())%60 == 0:
		return words.Say("%d h", int(d.Hours()))
	case d < 48*time.Hour:
		return words.Say("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
	}
	return words.Say("%d d %d h", int(d.Hours())/24, int(d.Hours())%24)
}

// hours writes a length of time as h:mm.
func hours(d time.Duration) words.Text {
	d = max(0, d)
	return words.Say("%d:%02d", int(d.Hours()), int(d.Minutes())%60)
}

// age is how old something is, in steps that do not make digits run.
func age(now, t time.Time) words.Text {
	if t.IsZero() {
		return dash
	}
	d := now.Sub(t)
	switch {
	case d < 5*time.Second:
		return "now"
	case d < time.Minute:
		return words.Say("%d s", int(d.Seconds())/5*5)
	}
	return span(d)
}

// at writes a time in the zone of pages.
func (s *Server) at(t time.Time, layout string) words.Text {
	if t.IsZero() {
		return dash
	}
	return words.Text(t.In(s.zone).Format(layout))
}

func (s *Server) clock(t time.Time) words.Text { return s.at(t, "15:04:05") }
func (s *Server) stamp(t time.Time) words.Text { return s.at(t, "2006-01-02 15:04:05 -07:00") }

// minute is a stamp without the seconds.
func (s *Server) minute(t time.Time) words.Text { return s.at(t, "2006-01-02 15:04 -07:00") }

// qualityReasons says in words what the usual status codes mean.
var qualityReasons = map[plant.Quality]words.Text{
	plant.BadNoCommunication:     "no communication with the server",
	plant.BadWaitingForInitial:   "no value has arrived yet",
	plant.BadNodeIDUnknown:       "the server does not know this node",
	plant.BadAttributeIDInvalid:  "the server gives no value for this node",
	plant.BadUserAccessDenied:    "the server refuses to show it",
	plant.BadOutOfRange:          "the reading is outside the instrument's range",
	plant.BadTypeMismatch:        "the server sends something that is no number",
	plant.BadNotConnected:        "not connected",
	plant.BadSensorFailure:       "the sensor has failed",
	plant.BadDeviceFailure:       "the device has failed",
	plant.BadOutOfService:        "the signal is out of service",
	plant.BadConfigurationError:  "the configuration of the signal is faulty",
	plant.BadNoData:              "no data",
	plant.BadDataLost:            "data were lost",
	plant.UncertainLastUsable:    "last usable value; nothing newer",
	plant.UncertainSubNormal:     "from fewer inputs than usual",
	plant.UncertainInitialValue:  "an initial value, not yet measured",
	plant.UncertainSensor:        "the sensor is not accurate",
	plant.UncertainUnitsExceeded: "outside the limits of the sensor",
	plant.GoodLocalOverride:      "set by hand",
}

func qualityReason(q plant.Quality) words.Text {
	if !q.Seen() {
		return "no value has arrived yet"
	}
	if w, ok := qualityReasons[q]; ok {
		return w
	}
	switch {
	case q.IsGood():
		return ""
	case q.IsUncertain():
		return words.Say("the source doubts it (%s)", words.Verbatim(q.String()))
	}
	return words.Say("the source marks it unusable (%s)", words.Verbatim(q.String()))
}

// reading is one value as a page shows it.
type reading struct {
	Path    string
	Label   words.Text
	Meaning words.Text
	Text    words.Text // number, or an en dash
	Unit    words.Text
	Class   string     // good, doubt, absent
	Suspect words.Text // that it contradicts the others, "" if nothing is held against it
	Word    words.Text // beside the number where it is not plain: "doubtful", "by hand"
	Why     words.Text // reason for being absent or doubtful
	Quality string
	Age     words.Text
	Heard   words.Text // how long ago its evidence was heard of last, by our own clock
	At      string
	How     words.Text
	Sigma   words.Text
	Where   string // server and node of an instrument
	Node    string // its last part, enough to tell it by
	Value   float64
	OK      bool
	Band    *band
	Departs words.Text // "high" or "low" against its usual band, "" if neither
	Usual   words.Text // the band in words, "" if it is not known
	InUsual *float64   // where it lies, 0..100 of a width whose middle half is the band
	Tail    string     // points of the ten-minute line, "" if none
	TailMin words.Text
	TailMax words.Text
}

// band is a value in its instrument's range, 0..100 along the width.
type band struct {
	At        float64
	Low, High words.Text
}

// read makes the reading of a tag. An ID that is not there reads as absent.
func (s *Server) read(p *engine.Picture, id plant.TagID, now time.Time) reading {
	h := s.b.House()
	if id < 0 || int(id) >= len(h.Tags) {
		return reading{Text: dash, Class: "absent", Why: "neither measured nor calculated here", Value: math.NaN()}
	}
	t := &h.Tags[id]
	r := reading{
		Path: t.Path, Label: plant.Label(t.Name), Meaning: t.Meaning, Unit: s.unit(t).text,
		Text: dash, Class: "absent", Value: math.NaN(), How: words.Text(t.Source),
	}
	if t.Source == plant.Measured {
		r.Where = strings.TrimSpace(t.Server + " " + t.Node)
		r.Node = t.Server + " " + t.Node[strings.LastIndexByte(t.Node, ';')+1:]
	}
	if p == nil || p.Frame == nil {
		r.Why = "no picture yet"
		return r
	}
	pt := p.Frame.Point(id)
	r.Quality = pt.Quality.String()
	r.Age, r.At = age(now, pt.Time), s.clock(pt.Time).String()
	if int(id) < len(p.Confirmed) && !p.Confirmed[id].IsZero() {
		r.Heard = age(now, p.Confirmed[id])
	}
	if how := p.How[id]; how.How != "" {
		r.How = how.Words()
	}
	if !pt.Usable() {
		r.Why = p.Reasons[id]
		if r.Why == "" {
			r.Why = qualityReason(pt.Quality)
		}
		if r.Why == "" {
			r.Why = "no number"
		}
		return r
	}
	u := s.unitAt(t, s.air(p))
	r.OK, r.Value, r.Text, r.Class = true, pt.Value, numberIn(t, u, pt.Value), "good"
	switch {
	case pt.Quality.IsUncertain():
		r.Class, r.Word, r.Why = "doubt", "doubtful", qualityReason(pt.Quality)
	case pt.Quality == plant.GoodLocalOverride:
		r.Class, r.Word, r.Why = "doubt", "by hand", qualityReason(pt.Quality)
	}
	if r.Suspect = s.suspicion(p, t.Path); r.Suspect != "" {
		if r.Class == "good" {
			r.Class = "doubt"
		}
		if r.Why != "" {
			r.Why += "; "
		}
		r.Why += r.Suspect
	}
	if b, ok := p.Usual[id]; ok {
		r.against(t, u, b)
	}
	sigma := p.Sigma[id]
	if sigma == 0 {
		sigma = t.Sigma(pt.Value)
	}
	if sigma > 0 && t.Dimension != plant.State {
		r.Sigma = "± " + sigmaText(sigma*math.Abs(u.scale))
	}
	if !math.IsNaN(t.Low) && !math.IsNaN(t.High) && t.High > t.Low {
		at := (pt.Value - t.Low) / (t.High - t.Low) * 100
		r.Band = &band{At: math.Max(0, math.Min(100, at)), Low: numberIn(t, u, t.Low), High: numberIn(t, u, t.High)}
	}
	return r
}

// with is a number with the reading's unit; a ratio has none in a sentence.
func (r *reading) with(t *plant.Tag, number words.Text) words.Text {
	if t.Dimension == plant.Ratio {
		return number
	}
	return valueUnit(number, r.Unit)
}

// against holds a reading against its usual band.
func (r *reading) against(t *plant.Tag, u shownUnit, b thermo.Band) {
	low, high, way := numberIn(t, u, b.Low), numberIn(t, u, b.High), b.Departs()
	if u.scale < 0 { // a vacuum counts the other way
		low, high, way = high, low, -way
	}
	high = r.with(t, high)
	switch {
	case !b.Strike:
		r.Usual = words.Say("usual for this load: %s to %s", low, high)
	case math.IsInf(b.Low, -1):
		r.Usual = words.Say("usual before the feed: at most %s", high)
	default:
		r.Usual = words.Say("usual at this point of a strike: %s to %s", low, high)
	}
	least := b.Low
	if math.IsInf(least, -1) {
		least = 0 // how little it is does not matter
	}
	if at := (b.Mean - least) / (b.High - least); !math.IsNaN(at) {
		if u.scale < 0 {
			at = 1 - at
		}
		at = round1(25 + 50*min(max(at, -0.5), 1.5))
		r.InUsual = &at
	}
	switch way {
	case -1:
		r.Departs = "low"
	case 1:
		r.Departs = "high"
	}
}

// sigmaText writes an uncertainty with two significant digits.
func sigmaText(v float64) words.Text {
	if v <= 0 || math.IsInf(v, 0) || math.IsNaN(v) {
		return dash
	}
	n := int(math.Max(0, 1-math.Floor(math.Log10(v))))
	return decimals(v, min(n, 6))
}

// valueUnit is a value with its unit, if it has one.
func valueUnit(value, unit words.Text) words.Text {
	if unit == "" {
		return value
	}
	return words.Say("%s %s", value, unit)
}

var months = [...]words.Text{"Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"}

var weekdays = [...][2]words.Text{{"Sunday", "Sun"}, {"Monday", "Mon"}, {"Tuesday", "Tue"}, {"Wednesday", "Wed"}, {"Thursday", "Thu"}, {"Friday", "Fri"}, {"Saturday", "Sat"}}

// dayText is a day with its name and year.
func dayText(t time.Time) words.Text {
	return words.Say("%s, %d %s %s", weekdays[t.Weekday()][0], t.Day(), months[t.Month()-1], t.Format("2006"))
}

// dateText is a day of the year.
func dateText(t time.Time) words.Text { return words.Say("%d %s", t.Day(), months[t.Month()-1]) }
