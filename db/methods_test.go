package db_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"reflect"
	"testing"

	"frostgate/db"

	"github.com/stretchr/testify/require"
)

// Every method of DB and Tx runs in a test of this package: a query whose
// columns and fields disagree fails only when it runs.
func TestEveryMethodIsTested(t *testing.T) {
	t.Parallel()
	called := map[string]bool{}
	files, err := filepath.Glob("*_test.go")
	require.NoError(t, err)
	for _, name := range files {
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		require.NoError(t, err)
		ast.Inspect(file, func(n ast.Node) bool {
			if call, ok := n.(*ast.CallExpr); ok {
				if method, ok := call.Fun.(*ast.SelectorExpr); ok {
					called[method.Sel.Name] = true
				}
			}
			return true
		})
	}
	for _, on := range []reflect.Type{reflect.TypeFor[*db.DB](), reflect.TypeFor[*db.Tx]()} {
		for method := range on.Methods() {
			require.True(t, called[method.Name], "%s.%s is in no test", on, method.Name)
		}
	}
}
