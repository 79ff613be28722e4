package alerts

import (
	"reflect"
	"slices"

	"outyard"
)

// sameContent says whether two findings say the same; id and told-at aside.
// One of them may have been through JSON, where a fact that is not known is
// left out and a list is a []any.
func sameContent(a, b *outyard.Finding) bool {
	return a.State == b.State && a.Severity == b.Severity && a.Confidence == b.Confidence &&
		a.Onset.Equal(b.Onset) && a.End.Equal(b.End) && a.Summary == b.Summary &&
		slices.Equal(a.Advice, b.Advice) && slices.Equal(a.Caution, b.Caution) && sameFacts(a.Facts, b.Facts)
}

func sameFacts(a, b map[string]any) bool {
	count := 0
	for name, v := range a {
		if unknownFact(v) {
			continue
		}
		w, ok := b[name]
		if !ok || !sameFact(v, w) {
			return false
		}
		count++
	}
	for _, v := range b {
		if !unknownFact(v) {
			count--
		}
	}
	return count == 0
}

func unknownFact(v any) bool {
	x, ok := v.(float64)
	return ok && !outyard.Known(x)
}

func sameFact(a, b any) bool {
	switch v := a.(type) {
	case float64:
		w, ok := b.(float64)
		return ok && v == w
	case string:
		w, ok := b.(string)
		return ok && v == w
	case bool:
		w, ok := b.(bool)
		return ok && v == w
	}
	as, aOK := list(a)
	bs, bOK := list(b)
	if aOK && bOK {
		return slices.EqualFunc(as, bs, sameFact)
	}
	return reflect.DeepEqual(a, b)
}

func list(v any) ([]any, bool) {
	switch v := v.(type) {
	case nil: // an empty list, come back from JSON
		return nil, true
	case []any:
		return v, true
	case []string:
		return boxed(v), true
	case []float64:
		return boxed(v), true
	}
	return nil, false
}

func boxed[T any](s []T) []any {
	out := make([]any, len(s))
	for i, v := range s {
		out[i] = v
	}
	return out
}
