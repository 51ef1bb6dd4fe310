package liquor

import (
	"fmt"
	"strings"
)

// UnknownModel says that a model's name is not one of those known; the message lists
// them.
type UnknownModel struct {
	Property string
	Name     string
	Known    any // slice of the model type
}

// Error names the property, the unknown name and the known ones.
func (e *UnknownModel) Error() string {
	return fmt.Sprintf("no %s equation %q; known: %s", e.Property, e.Name, strings.Trim(fmt.Sprint(e.Known), "[]"))
}
