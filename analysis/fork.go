package analysis

import (
	"reflect"
	"time"
	"unsafe"

	"outyard"
)

// Fork returns a course that stands where this one does and goes its own way
// from here: nothing that is told to the one changes the other. It lets a late
// reading be folded in from the last fork before it rather than from the
// season's beginning.
//
// The copy is made by reflection. An analysis that keeps something new is
// copied whole without a line for it here, where a line forgotten would make
// two courses one in the dark.
func (c *Course) Fork() *Course {
	k := copier{done: map[unsafe.Pointer]reflect.Value{}}
	return k.copied(reflect.ValueOf(c)).Interface().(*Course)
}

// shared are the types that nobody writes to once they are made.
var shared = map[reflect.Type]bool{
	reflect.TypeFor[time.Time]():      true,
	reflect.TypeFor[*time.Location](): true,
	reflect.TypeFor[outyard.Yard]():   true,
	reflect.TypeFor[outyard.Hive]():   true,
	reflect.TypeFor[outyard.Entry]():  true,
	reflect.TypeFor[Settings]():       true,
}

// A copier copies values with all that they lead to. What two pointers lead to
// is one thing in the copy as well.
type copier struct {
	done map[unsafe.Pointer]reflect.Value
}

// copied returns a copy of a pointer, a slice, a map or an interface, or of a
// value that can be set in place afterwards.
func (k copier) copied(v reflect.Value) reflect.Value {
	if flat(v.Type()) {
		return v
	}
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return v
		}
		at := v.UnsafePointer()
		if c, ok := k.done[at]; ok && c.Type() == v.Type() {
			return c
		}
		c := reflect.New(v.Type().Elem())
		k.done[at] = c
		c.Elem().Set(v.Elem())
		k.mend(c.Elem())
		return c
	case reflect.Slice:
		if v.IsNil() {
			return v
		}
		c := reflect.MakeSlice(v.Type(), v.Len(), v.Len())
		reflect.Copy(c, v)
		if !flat(v.Type().Elem()) {
			for i := range c.Len() {
				k.mend(c.Index(i))
			}
		}
		return c
	case reflect.Map:
		if v.IsNil() {
			return v
		}
		c := reflect.MakeMapWithSize(v.Type(), v.Len())
		for each := v.MapRange(); each.Next(); {
			c.SetMapIndex(each.Key(), k.copied(each.Value()))
		}
		return c
	case reflect.Interface:
		if v.IsNil() {
			return v
		}
		c := reflect.New(v.Type()).Elem()
		c.Set(k.copied(v.Elem()))
		return c
	}
	c := reflect.New(v.Type()).Elem() // a struct or an array
	c.Set(v)
	k.mend(c)
	return c
}

// mend replaces what a value, which is already a shallow copy, leads to.
func (k copier) mend(v reflect.Value) {
	switch {
	case flat(v.Type()):
	case v.Kind() == reflect.Struct:
		for i := range v.NumField() {
			k.mend(settable(v.Field(i)))
		}
	case v.Kind() == reflect.Array:
		for i := range v.Len() {
			k.mend(v.Index(i))
		}
	default:
		v.Set(k.copied(v))
	}
}

// settable lets a field be set whose name begins small.
func settable(v reflect.Value) reflect.Value {
	return reflect.NewAt(v.Type(), v.Addr().UnsafePointer()).Elem()
}

// flat says that the plain copy of a value shares nothing that is written to.
func flat(t reflect.Type) bool {
	if shared[t] {
		return true
	}
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Map, reflect.Interface, reflect.Chan, reflect.Func, reflect.UnsafePointer:
		return false
	case reflect.Array:
		return flat(t.Elem())
	case reflect.Struct:
		for i := range t.NumField() {
			if !flat(t.Field(i).Type) {
				return false
			}
		}
	}
	return true
}
