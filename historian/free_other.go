//go:build !linux && !darwin

package historian

func (Disk) FreePct(string) float64 { return nan }
