// Package liquor holds the properties of sugar solutions: juice, syrup, molasses.
package liquor
