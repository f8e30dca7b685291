// Package bothyv1 holds the records that replicas exchange and the services that
// nodes and hubs serve. How each field of a record merges stands on the field.
package bothyv1
