package forecast

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Orders are the orders of sources that a firm or a site sets, by variable. The
// sources that one does not name follow in the usual order: no wish keeps weather
// away.
type Orders map[Variable][]string

// OrdersOf joins orders as they are stored; a later one has the last word on a
// variable.
func OrdersOf(stored ...map[string][]string) Orders {
	o := Orders{}
	for _, orders := range stored {
		for variable, sources := range orders {
			o[Variable(variable)] = sources
		}
	}
	return o
}

// Of gives all sources of a variable in a region, the preferred first.
func (o Orders) Of(v Variable, r Region) []string {
	for i := range choices {
		if choices[i].variable == v {
			return o.of(&choices[i], r)
		}
	}
	return nil
}

func (o Orders) of(c *choice, r Region) []string {
	order := slices.Clone(o[c.variable])
	for _, name := range c.order[r] {
		if !slices.Contains(order, name) {
			order = append(order, name)
		}
	}
	return order
}

// choosable are the sources that an order may name. What stations measured is
// taken first for hours past and never for others.
var choosable = []string{sourceFirm, sourceNWS, sourceColumns, sourceEnsemble, sourceNorway}

// An OrderFault is why the order of a variable cannot be.
type OrderFault struct {
	Variable string
	Detail   string // reads after the variable's name
}

// Faults are all that is wrong with stored orders, by variable.
func Faults(stored map[string][]string) []OrderFault {
	var faults []OrderFault
	for _, variable := range slices.Sorted(maps.Keys(stored)) {
		if detail := faultOf(variable, stored[variable]); detail != "" {
			faults = append(faults, OrderFault{variable, detail})
		}
	}
	return faults
}

func faultOf(variable string, sources []string) string {
	switch {
	case !slices.Contains(Variables(), Variable(variable)):
		return "is no variable; there are " + join(Variables())
	case len(sources) == 0:
		return "must name a source; leave the variable out for the usual order"
	}
	for i, name := range sources {
		if !slices.Contains(choosable, name) {
			return "must name sources of " + strings.Join(choosable, ", ")
		}
		if slices.Contains(sources[:i], name) {
			return fmt.Sprintf("names %s twice", name)
		}
	}
	return ""
}

func join(variables []Variable) string {
	var text strings.Builder
	for i, v := range variables {
		if i > 0 {
			text.WriteString(", ")
		}
		text.WriteString(string(v))
	}
	return text.String()
}
