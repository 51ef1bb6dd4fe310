// Package steam holds the properties of water and steam.
package steam
