package gate

import (
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

// route is one way to call a method over HTTP, as google.api.http on the method
// declares it.
type route struct {
	method string // of HTTP
	path   string // the template, such as "/v1/machines/{machine}:hold"
	input  protoreflect.MessageDescriptor
	// body is the field of the input that the body holds; nil if it holds the
	// input itself or there is no body.
	body protoreflect.FieldDescriptor
	// takesBody holds if there is one.
	takesBody bool
	// bound are the fields that the path gives: the path of each in JSON names, by
	// its name in the template.
	bound map[string]string
	// query are the fields that parameters of the query may give.
	query []protoreflect.FieldDescriptor
	// shape matches the paths of requests, escaped.
	shape *regexp.Regexp
}

// routes are all routes of a server, by method and template.
type routes map[string]*route

func routesOf(services map[string]grpc.ServiceInfo) (routes, error) {
	all := make(routes)
	for name := range services {
		found, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(name))
		if err != nil {
			return nil, fmt.Errorf("service %s: %w", name, err)
		}
		methods := found.(protoreflect.ServiceDescriptor).Methods()
		for i := range methods.Len() {
			if err := all.add(methods.Get(i)); err != nil {
				return nil, fmt.Errorf("method %s: %w", methods.Get(i).FullName(), err)
			}
		}
	}
	return all, nil
}

// add adds the routes of one method, if it has any.
func (all routes) add(method protoreflect.MethodDescriptor) error {
	rule := proto.GetExtension(method.Options(), annotations.E_Http).(*annotations.HttpRule)
	if rule == nil {
		return nil
	}
	for _, one := range append([]*annotations.HttpRule{rule}, rule.GetAdditionalBindings()...) {
		r, err := newRoute(method.Input(), one)
		if err != nil {
			return err
		}
		all[r.method+" "+r.path] = r
	}
	return nil
}

func newRoute(input protoreflect.MessageDescriptor, rule *annotations.HttpRule) (*route, error) {
	r := &route{input: input, takesBody: rule.GetBody() != "", bound: make(map[string]string)}
	r.method, r.path = verbAndPath(rule)
	if name := rule.GetBody(); name != "" && name != "*" {
		r.body = input.Fields().ByName(protoreflect.Name(name))
		if r.body == nil || r.body.Message() == nil || r.body.Cardinality() == protoreflect.Repeated {
			return nil, fmt.Errorf("the body is %q; it must be * or a field that holds one message", name)
		}
	}
	if strings.Contains(r.path, "=") {
		return nil, fmt.Errorf("the path %q has a variable with a pattern; only those that stand for one part are read", r.path)
	}
	for _, name := range variable.FindAllStringSubmatch(r.path, -1) {
		path, err := jsonPath(input, name[1])
		if err != nil {
			return nil, err
		}
		r.bound[name[1]] = path
	}
	r.query = r.free()
	shape := variable.ReplaceAllString(regexp.QuoteMeta(r.path), `[^/]+`)
	r.shape = regexp.MustCompile("^" + shape + "$")
	return r, nil
}

// variable is a part of a template that stands for one part of a path. It also
// matches one whose braces are quoted for a regular expression.
var variable = regexp.MustCompile(`\\?\{([a-z0-9_.\\]+)\\?\}`)

func verbAndPath(rule *annotations.HttpRule) (verb, path string) {
	switch p := rule.GetPattern().(type) {
	case *annotations.HttpRule_Get:
		return http.MethodGet, p.Get
	case *annotations.HttpRule_Post:
		return http.MethodPost, p.Post
	case *annotations.HttpRule_Put:
		return http.MethodPut, p.Put
	case *annotations.HttpRule_Patch:
		return http.MethodPatch, p.Patch
	case *annotations.HttpRule_Delete:
		return http.MethodDelete, p.Delete
	}
	return rule.GetCustom().GetKind(), rule.GetCustom().GetPath()
}

// free are the fields that neither the body nor the path holds and that one word
// can say.
func (r *route) free() []protoreflect.FieldDescriptor {
	var fields []protoreflect.FieldDescriptor
	for i := range r.input.Fields().Len() {
		field := r.input.Fields().Get(i)
		_, bound := r.bound[string(field.Name())]
		nested := field.Message() != nil && field.Message().ParentFile().Package() != "google.protobuf"
		everything := r.takesBody && r.body == nil
		if !everything && field != r.body && !bound && !nested {
			fields = append(fields, field)
		}
	}
	return fields
}

// jsonPath turns a path of proto names below a message into JSON names.
func jsonPath(message protoreflect.MessageDescriptor, path string) (string, error) {
	var names []string
	for name := range strings.SplitSeq(path, ".") {
		var field protoreflect.FieldDescriptor
		if message != nil {
			field = fieldOf(message, name)
		}
		if field == nil {
			return "", fmt.Errorf("there is no field %q", path)
		}
		names = append(names, field.JSONName())
		message = field.Message()
	}
	return strings.Join(names, "."), nil
}

// fieldOf finds a field by either of its names; nil if there is none.
func fieldOf(message protoreflect.MessageDescriptor, name string) protoreflect.FieldDescriptor {
	if field := message.Fields().ByJSONName(name); field != nil {
		return field
	}
	return message.Fields().ByTextName(name)
}

// find is the route that the gateway chose for a request; nil if the services
// declare none like it.
func (all routes) find(r *http.Request) *route {
	pattern, _ := runtime.HTTPPattern(r.Context())
	return all[r.Method+" "+strings.ReplaceAll(pattern.String(), "=*}", "}")]
}

// methods are what a path, escaped, may be called with, sorted.
func (all routes) methods(path string) []string {
	var methods []string
	for _, r := range all {
		if r.shape.MatchString(path) {
			methods = append(methods, r.method)
			if r.method == http.MethodGet {
				methods = append(methods, http.MethodHead)
			}
		}
	}
	slices.Sort(methods)
	return slices.Compact(methods)
}
