package gate

import (
	"errors"
	"io"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/gate/strictjson"
)

// examine looks at everything that a request says: it returns its body, unescapes
// the parts of its path, and puts its query into the gateway's form. The error is
// a fault, under its own HTTP status where it has one.
func (r *route) examine(w http.ResponseWriter, request *http.Request, path map[string]string) ([]byte, error) {
	if err := examineHeader(request); err != nil {
		return nil, err
	}
	violations, err := r.examinePath(path)
	if err != nil {
		return nil, err
	}
	query, err := url.ParseQuery(request.URL.RawQuery)
	if err != nil {
		return nil, fault.Unreadable("the query cannot be read: %v", err)
	}
	violations = append(violations, r.examineQuery(query)...)
	if len(violations) > 0 {
		return nil, fault.Invalid(violations...)
	}
	request.URL.RawQuery = query.Encode()
	if !r.takesBody {
		return nil, noBody(request)
	}
	body, err := readBody(w, request)
	if err != nil {
		return nil, err
	}
	return body, strictjson.Check(body, r.target(path))
}

func examineHeader(r *http.Request) error {
	for _, person := range r.Header.Values(personHeader) {
		// The gateway would leave such a header out, and the person with it.
		if strings.ContainsFunc(person, func(r rune) bool { return r < ' ' || r > '~' }) {
			return fault.Unreadable("the header %s is %q; allowed are the characters of a person's id", personHeader, person)
		}
	}
	for _, name := range []string{"If-Match", "If-Unmodified-Since"} {
		if r.Header.Get(name) != "" {
			return &runtime.HTTPStatusError{HTTPStatus: http.StatusPreconditionFailed, Err: fault.Precondition(
				"the header %s cannot be honoured; send the etag that you read in the record itself", name)}
		}
	}
	return nil
}

// examinePath unescapes the parts of the path that stand for fields.
func (r *route) examinePath(path map[string]string) ([]fault.Violation, error) {
	var violations []fault.Violation
	for _, name := range slices.Sorted(maps.Keys(path)) {
		text, err := url.PathUnescape(path[name])
		if err != nil {
			return nil, fault.Unreadable("the path cannot be read: %v", err)
		}
		path[name] = text
		if text == "" {
			violations = append(violations, fault.Violation{Field: r.bound[name], Problem: "is empty in the path"})
		} else if problem := strictjson.CheckText(text); problem != "" {
			violations = append(violations, fault.Violation{Field: r.bound[name], Problem: problem})
		}
	}
	return violations, nil
}

// examineQuery says what is wrong with a query, and gives the paths of a field
// mask the names that services know.
func (r *route) examineQuery(query url.Values) []fault.Violation {
	var violations []fault.Violation
	seen := make(map[protoreflect.FieldNumber]bool)
	wrong := func(name, problem string) {
		violations = append(violations, fault.Violation{Field: name, Problem: problem})
	}
	for _, name := range slices.Sorted(maps.Keys(query)) {
		words := query[name]
		field := r.parameter(name)
		switch {
		case field == nil:
			wrong(name, "is not a parameter of this call; "+r.parameters())
			continue
		case seen[field.Number()] || len(words) > 1 && !field.IsList():
			wrong(field.JSONName(), "is given more than once")
			continue
		}
		seen[field.Number()] = true
		for i, word := range words {
			problem := ""
			if isMask(field) {
				words[i], problem = r.protoMask(word)
			} else {
				problem = strictjson.CheckWord(word, field)
			}
			if problem != "" {
				wrong(field.JSONName(), problem)
			}
		}
	}
	return violations
}

// parameter finds a field that the query may give; nil if there is none.
func (r *route) parameter(name string) protoreflect.FieldDescriptor {
	for _, field := range r.query {
		if field.JSONName() == name || field.TextName() == name {
			return field
		}
	}
	return nil
}

func (r *route) parameters() string {
	if len(r.query) == 0 {
		return "it takes none"
	}
	names := make([]string, len(r.query))
	for i, field := range r.query {
		names[i] = field.JSONName()
	}
	return "allowed are " + strings.Join(names, ", ")
}

func isMask(field protoreflect.FieldDescriptor) bool {
	return field.Message() != nil && field.Message().FullName() == "google.protobuf.FieldMask"
}

// protoMask turns a mask over the body from JSON names into proto names, and says
// what is wrong with it. A mask of "*" is every field.
func (r *route) protoMask(mask string) (protoNames, problem string) {
	if mask == "*" || r.body == nil {
		return mask, ""
	}
	var paths []string
	for path := range strings.SplitSeq(mask, ",") {
		var names []string
		message := r.body.Message()
		for name := range strings.SplitSeq(path, ".") {
			var field protoreflect.FieldDescriptor
			if message != nil {
				field = fieldOf(message, name)
			}
			if field == nil {
				return mask, "has " + path + ", which is not a field of " + string(r.body.Message().Name())
			}
			names = append(names, string(field.Name()))
			message = field.Message()
		}
		paths = append(paths, strings.Join(names, "."))
	}
	return strings.Join(paths, ","), ""
}

// target is what the body is read as.
func (r *route) target(path map[string]string) strictjson.Target {
	fixed := make(map[string]string, len(path))
	for name, text := range path {
		fixed[r.bound[name]] = text
	}
	if r.body == nil {
		return strictjson.Target{Message: r.input, Fixed: fixed}
	}
	return strictjson.Target{Message: r.body.Message(), At: r.body.JSONName(), Fixed: fixed}
}

func noBody(r *http.Request) error {
	if r.ContentLength != 0 {
		return fault.Unreadable("this call takes no body")
	}
	return nil
}

// readBody reads a JSON body up to the limit, without waiting for one that says
// that it is larger.
func readBody(w http.ResponseWriter, r *http.Request) ([]byte, error) {
	if err := wantJSON(r.Header); err != nil {
		return nil, &runtime.HTTPStatusError{HTTPStatus: http.StatusUnsupportedMediaType, Err: err}
	}
	tooLarge := fault.TooLarge("the body is too large; at most %d bytes are allowed", bodyMax)
	if r.ContentLength > bodyMax {
		return nil, tooLarge
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, bodyMax))
	var over *http.MaxBytesError
	switch {
	case errors.As(err, &over):
		return nil, tooLarge
	case errors.Is(err, os.ErrDeadlineExceeded):
		return nil, &runtime.HTTPStatusError{HTTPStatus: http.StatusRequestTimeout,
			Err: fault.Late("the body did not come in time; nothing was done")}
	case err != nil:
		return nil, fault.Unreadable("the body broke off").From(err)
	}
	return body, nil
}

// wantJSON refuses a body that says that it is something else, and one that says
// nothing: then somebody's form would be taken for a record.
func wantJSON(h http.Header) error {
	if coding := h.Get("Content-Encoding"); coding != "" && coding != "identity" {
		return fault.Unreadable("the body has the coding %q; send it without", coding)
	}
	kind, parameters, err := mime.ParseMediaType(h.Get("Content-Type"))
	charset := parameters["charset"]
	if err != nil || kind != "application/json" || charset != "" && !strings.EqualFold(charset, "utf-8") {
		return fault.Unreadable("the body has the content type %q; allowed is application/json", h.Get("Content-Type"))
	}
	return nil
}
