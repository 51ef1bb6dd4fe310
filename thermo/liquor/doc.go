// Package liquor holds the properties of sugar solutions - juice, syrup, mother liquor,
// molasses - and the balances of a massecuite.
//
// # What it covers
//
//	property                     by                              range of the source
//	boiling-point elevation      BPEModel.Elevation (sp97)       0-90 % Brix, 5-200 kPa     2 %
//	  and its inverse            BPEModel.BrixFromElevation
//	specific heat, enthalpy      HeatModel (bubnik95)            0-85 % Brix, 20-110 degC   0.2 % between two trade forms
//	density                      DensityModel (sps4)             0-85 % Brix, 0-100 degC    0.06 % pure
//	solubility                   SolubilityModel (vavrinecz)     0-90 degC                  0.15 % absolute
//	solubility coefficient       Impurity                        0-3 kg/kg nonsucrose/water several %
//	supersaturation and inverse  SolubilityModel.Supersaturation,                           several %
//	                             BrixAtSupersaturation, ZoneLimits
//	hydrostatic head             HeadRise                        1-2000 kPa                 upper bound
//	massecuite balances          CrystalOnSolids, CrystalContent,                           exact
//	                             MotherLiquorBrix
//
// Where the trade uses several equations they are selected by their authors' names
// ([BPEModels], [HeatModels], [DensityModels], [SolubilityModels]); the zero value of a
// model type is the default. A name that is not known gives an [*UnknownModel] that lists
// the known ones. Equations differ - elevations by up to 25 % - so a site chooses one
// and never mixes two in one trend.
//
// # Units
//
// Dissolved solids in % by mass ([Brix]; for factory liquors the refractometric dry
// solids), purity in % ([Purity]), temperature in degC, absolute pressure in kPa,
// enthalpy in kJ/kg, specific heat in kJ/(kg K), density in kg/m3, elevations in K.
//
// # Ranges and errors: one convention
//
// Every function returns (value, error).
//
//   - Inside the range for which its source gives an equation: the value, nil.
//   - Outside it but near enough to be of use: the value and an [*Extrapolation] that
//     carries the value, the input that is out and the source's range. The caller
//     decides; [Accept] takes it and tells that it was flagged. A value shown should
//     say so.
//   - Beyond the physical limits, and for NaN and infinities: 0 and a [*RangeError].
//
// No function returns NaN, panics, keeps state, or allocates inside the range.
//
// # Purity
//
// Nonsucrose raises the boiling point more than sucrose, but no equation for cane with
// coefficients that can be checked was found; the elevation is therefore multiplied by
// 1 + k (1 - P/100) with a site's own k, 0 until it is fitted (see
// [BPEModel.Elevation]). The solubility
// coefficient's constants are a site's ([Impurity]).
//
// # Sources
//
// They stand with each equation; "from memory" marks what was not read in a document
// when this was written. The tests compare with handbook tables and measurements in
// testdata/properties, whose README names the sources.
//
// The numbers advise. Hot liquor, vacuum and steam are dangerous: follow the site's
// procedures and local codes, whatever a calculated value says.
package liquor
