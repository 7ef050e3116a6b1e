package db

import "strings"

// AlertCommit are the statements that raise an alert with one notice and one
// delivery, in their order, as they are written.
func AlertCommit() []string {
	all := []string{beginTx, ensureAlert, lockAlert, advanceAlert, insertNotice, insertDelivery}
	for i, sql := range all {
		all[i] = strings.Join(strings.Fields(sql), " ")
	}
	return all
}

// Fill puts a text in place of each @name of a statement.
func Fill(sql string, texts map[string]string) string {
	return argument.ReplaceAllStringFunc(sql, func(at string) string {
		text, ok := texts[at[1:]]
		if !ok {
			panic("no text for " + at)
		}
		return text
	})
}
