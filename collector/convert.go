package collector

import (
	"fmt"
	"math"
	"time"

	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

// maxExact is the largest integer up to which a float64 holds all of them.
const maxExact = 1 << 53

// overflowBit with info type DataValue marks a sample that stands next to lost
// ones (OPC 10000-4, 7.39.1 and 5.13.1.5).
const (
	infoTypeMask  = 0x00000C00
	infoDataValue = 0x00000400
	overflowBit   = 0x00000080
)

func overflowed(code uint32) bool {
	return code&infoTypeMask == infoDataValue && code&overflowBit != 0
}

// number turns a variant into a float64 without loss (I4). Numbers of every
// width and booleans (1, 0) have one; the second result is Good for them. A
// null is Bad_NoData; NaN, infinity and integers that a float64 cannot hold are
// Bad_OutOfRange; text, times, arrays and structures are Bad_TypeMismatch: they
// are never guessed at.
func number(v *ua.Variant) (float64, plant.Quality) {
	if v == nil || v.Value() == nil {
		return math.NaN(), plant.BadNoData
	}
	var f float64
	switch x := v.Value().(type) {
	case bool:
		if x {
			f = 1
		}
	case int8:
		f = float64(x)
	case uint8:
		f = float64(x)
	case int16:
		f = float64(x)
	case uint16:
		f = float64(x)
	case int32:
		f = float64(x)
	case uint32:
		f = float64(x)
	case int64:
		f = float64(x)
		if (x > maxExact || x < -maxExact) && (f >= 1<<63 || int64(f) != x) {
			return math.NaN(), plant.BadOutOfRange
		}
	case uint64:
		f = float64(x)
		if x > maxExact && (f >= 1<<64 || uint64(f) != x) {
			return math.NaN(), plant.BadOutOfRange
		}
	case float32:
		f = float64(x)
	case float64:
		f = x
	default:
		return math.NaN(), plant.BadTypeMismatch
	}
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return math.NaN(), plant.BadOutOfRange
	}
	return f, plant.Good
}

// timeKind says which clock stamped a sample (E1).
type timeKind int

const (
	sourceClock timeKind = iota
	serverClock
	ownClock
)

// firstTime is the earliest time taken for one: older ones are the "not given"
// of servers that do not use the null time.
var firstTime = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

// stamp is the time of a value: the source's, else the server's, else the time
// of arrival (E1, E5).
func stamp(dv *ua.DataValue, received time.Time) (time.Time, timeKind) {
	if dv.SourceTimestamp.After(firstTime) {
		// Counts of 10 ps; a sender's 10000 and more are out of bounds.
		return dv.SourceTimestamp.Add(time.Duration(min(dv.SourcePicoseconds, 9999)/100) * time.Nanosecond).UTC(), sourceClock
	}
	if dv.ServerTimestamp.After(firstTime) {
		return dv.ServerTimestamp.UTC(), serverClock
	}
	return received.UTC(), ownClock
}

// convert turns a data value into a point of the tag. The status code is kept
// whole; a value that cannot be used replaces it by the reason.
func convert(t *plant.Tag, dv *ua.DataValue, received time.Time) (plant.Point, timeKind) {
	at, kind := stamp(dv, received)
	q := plant.QualityOf(uint32(dv.Status))
	if q.IsBad() {
		return plant.BadPoint(at, q), kind
	}
	raw, why := number(dv.Value)
	if why.IsBad() {
		return plant.BadPoint(at, why), kind
	}
	v, q := t.ConvertAt(raw, q, at)
	return plant.Point{Time: at, Value: v, Quality: q}, kind
}

// typeName names the type of a variant for messages.
func typeName(v *ua.Variant) string {
	if v == nil || v.Type() == ua.TypeIDNull {
		return "null"
	}
	n := typeNames[v.Type()]
	if n == "" {
		n = fmt.Sprintf("type %d", v.Type())
	}
	if v.Has(ua.VariantArrayValues) {
		n = "array of " + n
	}
	return n
}

// typeNames are the built-in types of OPC 10000-6, table 1; the numbers are
// also the node ids of the data types in namespace 0.
var typeNames = map[ua.TypeID]string{
	ua.TypeIDBoolean: "Boolean", ua.TypeIDSByte: "SByte", ua.TypeIDByte: "Byte", ua.TypeIDInt16: "Int16",
	ua.TypeIDUint16: "UInt16", ua.TypeIDInt32: "Int32", ua.TypeIDUint32: "UInt32", ua.TypeIDInt64: "Int64",
	ua.TypeIDUint64: "UInt64", ua.TypeIDFloat: "Float", ua.TypeIDDouble: "Double", ua.TypeIDString: "String",
	ua.TypeIDDateTime: "DateTime", ua.TypeIDGUID: "Guid", ua.TypeIDByteString: "ByteString", ua.TypeIDXMLElement: "XmlElement",
	ua.TypeIDNodeID: "NodeId", ua.TypeIDExpandedNodeID: "ExpandedNodeId", ua.TypeIDStatusCode: "StatusCode",
	ua.TypeIDQualifiedName: "QualifiedName", ua.TypeIDLocalizedText: "LocalizedText", ua.TypeIDExtensionObject: "structure",
	ua.TypeIDDataValue: "DataValue", ua.TypeIDVariant: "Variant", ua.TypeIDDiagnosticInfo: "DiagnosticInfo",
}
