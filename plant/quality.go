package plant

import (
	"encoding/json"
	"fmt"
	"maps"
)

// Quality is an OPC UA status code (OPC 10000-4, 7.39) together with whether
// one has been seen at all. The zero value means "no data yet": it is not
// usable and never reads as Good.
type Quality struct {
	code uint32
	seen bool
}

// MarshalJSON writes the code, null for no data yet.
func (q Quality) MarshalJSON() ([]byte, error) {
	if !q.seen {
		return []byte("null"), nil
	}
	return json.Marshal(q.code)
}

// UnmarshalJSON reads what MarshalJSON writes.
func (q *Quality) UnmarshalJSON(b []byte) error {
	*q = Quality{}
	if string(b) == "null" {
		return nil
	}
	q.seen = true
	return json.Unmarshal(b, &q.code)
}

// Status codes used by name in this program; the numbers are those of
// OPC 10000-6, annex A.
var (
	Good                   = named(0x00000000, "Good")
	GoodLocalOverride      = named(0x00960000, "Good_LocalOverride")
	UncertainLastUsable    = named(0x40900000, "Uncertain_LastUsableValue")
	UncertainSubNormal     = named(0x40950000, "Uncertain_SubNormal")
	UncertainDataSubNormal = named(0x40A40000, "Uncertain_DataSubNormal")
	Uncertain              = named(0x40000000, "Uncertain")
	UncertainSubstituted   = named(0x40910000, "Uncertain_SubstituteValue")
	UncertainInitialValue  = named(0x40920000, "Uncertain_InitialValue")
	UncertainSensor        = named(0x40930000, "Uncertain_SensorNotAccurate")
	UncertainUnitsExceeded = named(0x40940000, "Uncertain_EngineeringUnitsExceeded")
	Bad                    = named(0x80000000, "Bad")
	BadNoCommunication     = named(0x80310000, "Bad_NoCommunication")
	BadWaitingForInitial   = named(0x80320000, "Bad_WaitingForInitialData")
	BadNodeIDUnknown       = named(0x80340000, "Bad_NodeIdUnknown")
	BadAttributeIDInvalid  = named(0x80350000, "Bad_AttributeIdInvalid")
	BadUserAccessDenied    = named(0x801F0000, "Bad_UserAccessDenied")
	BadOutOfRange          = named(0x803C0000, "Bad_OutOfRange")
	BadTypeMismatch        = named(0x80740000, "Bad_TypeMismatch")
	BadNotConnected        = named(0x808A0000, "Bad_NotConnected")
	BadSensorFailure       = named(0x808C0000, "Bad_SensorFailure")
	BadDeviceFailure       = named(0x808B0000, "Bad_DeviceFailure")
	BadOutOfService        = named(0x808D0000, "Bad_OutOfService")
	BadConfigurationError  = named(0x80890000, "Bad_ConfigurationError")
	BadNoData              = named(0x809B0000, "Bad_NoData")
	BadDataLost            = named(0x809D0000, "Bad_DataLost")
	BadInternalError       = named(0x80020000, "Bad_InternalError")
	BadInvalidTimestamp    = named(0x80230000, "Bad_InvalidTimestamp")
)

// qualityNames maps the code without its info bits to the standard name: first the
// codes that are only shown.
var qualityNames = map[uint32]string{
	0x002F0000: "Good_Overload",
	0x00300000: "Good_Clamped",
	0x00A20000: "Good_EntryInserted",
	0x00DC0000: "Good_Edited",
	0x408F0000: "Uncertain_NoCommunicationLastUsableValue",
	0x40DE0000: "Uncertain_DominantValueChanged",
	0x40E20000: "Uncertain_DependentValueChanged",
	0x42080000: "Uncertain_TransducerInManual",
	0x42090000: "Uncertain_SimulatedValue",
	0x420A0000: "Uncertain_SensorCalibration",
	0x420F0000: "Uncertain_ConfigurationError",
	0x80010000: "Bad_UnexpectedError",
	0x80030000: "Bad_OutOfMemory",
	0x80050000: "Bad_CommunicationError",
	0x80070000: "Bad_DecodingError",
	0x800A0000: "Bad_Timeout",
	0x800B0000: "Bad_ServiceUnsupported",
	0x800C0000: "Bad_Shutdown",
	0x800D0000: "Bad_ServerNotConnected",
	0x800E0000: "Bad_ServerHalted",
	0x80100000: "Bad_TooManyOperations",
	0x80130000: "Bad_SecurityChecksFailed",
	0x80260000: "Bad_SessionClosed",
	0x80330000: "Bad_NodeIdInvalid",
	0x80370000: "Bad_IndexRangeNoData",
	0x803A0000: "Bad_NotReadable",
	0x803D0000: "Bad_NotSupported",
	0x803E0000: "Bad_NotFound",
	0x80860000: "Bad_SecureChannelClosed",
	0x808E0000: "Bad_DeadbandFilterInvalid",
	0x80AC0000: "Bad_ConnectionRejected",
	0x80AD0000: "Bad_Disconnect",
	0x80AE0000: "Bad_ConnectionClosed",
	0x80AF0000: "Bad_InvalidState",
	0x80B10000: "Bad_NoDataAvailable",
	0x80B50000: "Bad_WouldBlock",
}

func named(code uint32, name string) Quality {
	qualityNames[code] = name
	return QualityOf(code)
}

// QualityNames gives the standard name of each status code that has one here.
func QualityNames() map[uint32]string { return maps.Clone(qualityNames) }

// QualityOf wraps an OPC UA status code, which is kept whole.
func QualityOf(code uint32) Quality { return Quality{code: code, seen: true} }

// Code returns the 32-bit status code; Bad_WaitingForInitialData for the zero
// value.
func (q Quality) Code() uint32 {
	if !q.seen {
		return 0x80320000
	}
	return q.code
}

// Seen reports whether a status has arrived at all.
func (q Quality) Seen() bool { return q.seen }

// IsGood reports severity Good. Only the top two bits decide, so unknown codes
// are handled by severity (OPC 10000-4, 7.39).
func (q Quality) IsGood() bool { return q.seen && q.code>>30 == 0 }

// IsUncertain reports severity Uncertain: usable, to be shown with its mark.
func (q Quality) IsUncertain() bool { return q.seen && q.code>>30 == 1 }

// IsBad reports that the value must not be used; also true for no data.
func (q Quality) IsBad() bool { return !q.seen || q.code>>30 >= 2 }

// Usable is the opposite of IsBad.
func (q Quality) Usable() bool { return !q.IsBad() }

// String gives the standard name of the code, or its severity with the number.
func (q Quality) String() string {
	if !q.seen {
		return "no data"
	}
	if n, ok := qualityNames[q.code&0xFFFF0000]; ok {
		return n
	}
	sev := [...]string{"Good", "Uncertain", "Bad", "Bad"}[q.code>>30]
	return fmt.Sprintf("%s (0x%08X)", sev, q.code)
}

// QualityNamed finds a status by its standard name ("Good",
// "Bad_SensorFailure"); the second result is false if the name is not known.
func QualityNamed(name string) (Quality, bool) {
	for code, n := range qualityNames {
		if n == name {
			return QualityOf(code), true
		}
	}
	return Quality{}, false
}

// Worse returns the worse of two qualities: no data and Bad before Uncertain
// before Good; the first one at equal severity.
func Worse(a, b Quality) Quality {
	if severity(b) > severity(a) {
		return b
	}
	return a
}

func severity(q Quality) uint32 {
	if !q.seen {
		return 3
	}
	return min(q.code>>30, 2)
}
