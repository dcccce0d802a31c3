package network

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// What is needed of the ONNX format (onnx.proto of ONNX 1.6, IR version 6): a
// graph of nodes with whole numbers as attributes, and tensors of floats. It is
// stored as protocol buffers, whose fields are looked up by number.

var errCut = errors.New("the network's file is damaged")

// A graph is a network as its file tells it.
type graph struct {
	nodes   []node
	tensors map[string]tensor
	input   string
	output  string
}

type node struct {
	op              string
	inputs, outputs []string
	ints            map[string][]int
}

type tensor struct {
	dims   []int
	values []float32
}

// fields calls f with the number and the content of each field of a message: a
// whole number, or bytes.
func fields(b []byte, f func(number int, v uint64, data []byte) error) error {
	for len(b) > 0 {
		key, n := binary.Uvarint(b)
		if n <= 0 {
			return errCut
		}
		b = b[n:]
		var v uint64
		var data []byte
		switch key & 7 {
		case 0:
			if v, n = binary.Uvarint(b); n <= 0 {
				return errCut
			}
			b = b[n:]
		case 1, 5: // of 64 and of 32 bits
			size := 8
			if key&7 == 5 {
				size = 4
			}
			if len(b) < size {
				return errCut
			}
			data, b = b[:size], b[size:]
		case 2:
			size, n := binary.Uvarint(b)
			if n <= 0 || size > uint64(len(b)-n) {
				return errCut
			}
			data, b = b[n:n+int(size)], b[n+int(size):]
		default:
			return errCut
		}
		if err := f(int(key>>3), v, data); err != nil {
			return err
		}
	}
	return nil
}

// ints reads whole numbers, which come one to a field or all in one.
func ints(to []int, v uint64, data []byte) ([]int, error) {
	if data == nil {
		return append(to, int(v)), nil
	}
	for len(data) > 0 {
		v, n := binary.Uvarint(data)
		if n <= 0 {
			return nil, errCut
		}
		to, data = append(to, int(v)), data[n:]
	}
	return to, nil
}

func readONNX(file []byte) (*graph, error) {
	var body []byte
	if err := fields(file, func(number int, _ uint64, data []byte) error {
		if number == 7 { // ModelProto.graph
			body = data
		}
		return nil
	}); err != nil {
		return nil, err
	}
	if body == nil {
		return nil, errors.New("holds no network")
	}
	g := &graph{tensors: map[string]tensor{}}
	return g, fields(body, func(number int, _ uint64, data []byte) (err error) {
		switch number { // of GraphProto
		case 1:
			var n node
			n, err = readNode(data)
			g.nodes = append(g.nodes, n)
		case 5:
			err = g.readTensor(data)
		case 11:
			g.input, err = nameOf(data)
		case 12:
			g.output, err = nameOf(data)
		}
		return err
	})
}

// nameOf returns the name in a ValueInfoProto.
func nameOf(b []byte) (name string, err error) {
	err = fields(b, func(number int, _ uint64, data []byte) error {
		if number == 1 {
			name = string(data)
		}
		return nil
	})
	return name, err
}

func readNode(b []byte) (node, error) {
	n := node{ints: map[string][]int{}}
	err := fields(b, func(number int, _ uint64, data []byte) error {
		switch number { // of NodeProto
		case 1:
			n.inputs = append(n.inputs, string(data))
		case 2:
			n.outputs = append(n.outputs, string(data))
		case 4:
			n.op = string(data)
		case 5:
			var name string
			var values []int
			err := fields(data, func(number int, v uint64, data []byte) (err error) {
				switch number { // of AttributeProto
				case 1:
					name = string(data)
				case 3, 8:
					values, err = ints(values, v, data)
				}
				return err
			})
			n.ints[name] = values
			return err
		}
		return nil
	})
	return n, err
}

func (g *graph) readTensor(b []byte) error {
	const float = 1 // TensorProto.DataType
	var name string
	var t tensor
	kind := 0
	var raw []byte
	err := fields(b, func(number int, v uint64, data []byte) (err error) {
		switch number { // of TensorProto
		case 1:
			t.dims, err = ints(t.dims, v, data)
		case 2:
			kind = int(v)
		case 4, 9: // packed floats, or the same as raw bytes
			raw = data
		case 8:
			name = string(data)
		}
		return err
	})
	if err != nil || kind != float {
		return err // others are sizes, which are known here
	}
	t.values = make([]float32, len(raw)/4)
	for i := range t.values {
		t.values[i] = math.Float32frombits(binary.LittleEndian.Uint32(raw[4*i:]))
	}
	n := 1
	for _, d := range t.dims {
		n *= d
	}
	if n != len(t.values) {
		return fmt.Errorf("tensor %s has %d values, not %v", name, len(t.values), t.dims)
	}
	g.tensors[name] = t
	return nil
}
