package network

import (
	"fmt"
	"slices"
)

// A form is in what way a layer's result is taken.
type form int

const (
	plain  form = iota
	pooled      // the greatest of each 2 × 2
	coarse      // each value doubled in both directions
)

// rows is for how many rows of the layer that takes them so many of a result are.
func (f form) rows(n int) int {
	switch f {
	case pooled:
		return n / 2
	case coarse:
		return 2 * n
	}
	return n
}

// A value is what a later layer takes.
type value struct {
	layer int
	form  form
}

// A layer is a convolution with ReLU. The first is 4 × 4 in steps of 2 on the
// picture, the others are 3 × 3; the last has one of 1 × 1 after it.
type layer struct {
	from     []value // at most one plain or pooled, and one coarse
	channels int
	halved   int // how often its sides are half of the picture's

	kernel, bias         tensor
	headKernel, headBias tensor
	maps                 int // results of the one of 1 × 1

	packed packed
}

// layersOf makes layers of a graph, or says what of it cannot be done here.
func layersOf(g *graph) ([]layer, error) {
	var layers []layer
	values := map[string][]value{g.input: {}}
	for i, n := range g.nodes {
		fail := func(why string) error { return fmt.Errorf("node %d of the network, %s, %s", i, n.op, why) }
		if len(n.inputs) == 0 || len(n.outputs) != 1 {
			return nil, fail("has not the inputs and outputs that it should")
		}
		in, known := values[n.inputs[0]]
		if !known {
			return nil, fail("takes what is not there")
		}
		out := in
		// one is the single plain value that most nodes take.
		one := func() (value, bool) {
			if len(in) != 1 || in[0].form != plain {
				return value{}, false
			}
			return in[0], true
		}
		switch n.op {
		case "Conv":
			if len(n.inputs) != 3 {
				return nil, fail("has no bias")
			}
			kernel, bias := g.tensors[n.inputs[1]], g.tensors[n.inputs[2]]
			if len(kernel.dims) != 4 || len(bias.values) != kernel.dims[0] || kernel.dims[2] != kernel.dims[3] {
				return nil, fail("has weights of another shape")
			}
			side := kernel.dims[2]
			if n.inputs[0] == g.input {
				if side != 4 || kernel.dims[1] != 3 || !n.is("strides", 2, 2) || !n.is("pads", 1, 1, 1, 1) {
					return nil, fail("is no convolution of 4 × 4 in steps of 2, three colours")
				}
				layers = append(layers, layer{channels: kernel.dims[0], halved: 1, kernel: kernel, bias: bias})
				out = []value{{layer: len(layers) - 1}}
				break
			}
			channels := 0
			for _, v := range in {
				channels += layers[v.layer].channels
			}
			if channels != kernel.dims[1] || !n.is("strides", 1, 1) {
				return nil, fail("does not fit its input")
			}
			if v, ok := one(); ok && side == 1 && v.layer == len(layers)-1 && n.outputs[0] == g.output && kernel.dims[0]%4 == 0 {
				l := &layers[v.layer]
				l.headKernel, l.headBias, l.maps = kernel, bias, kernel.dims[0]
				break
			}
			if side != 3 || !n.is("pads", 1, 1, 1, 1) {
				return nil, fail("is neither of 3 × 3 nor the last of 1 × 1")
			}
			l := layer{from: in, channels: kernel.dims[0], halved: -1, kernel: kernel, bias: bias}
			seen := [2]bool{}
			for _, v := range in {
				halved, kind := layers[v.layer].halved, 0
				switch v.form {
				case pooled:
					halved++
				case coarse:
					halved--
					kind = 1
				}
				if l.halved >= 0 && l.halved != halved || seen[kind] {
					return nil, fail("takes what does not fit together")
				}
				if v.layer == 0 && v.form != plain {
					return nil, fail("takes the first convolution in another form than its own")
				}
				l.halved, seen[kind] = halved, true
			}
			layers = append(layers, l)
			out = []value{{layer: len(layers) - 1}}
		case "Relu":
			// Each convolution but the last is computed with it.
		case "MaxPool":
			v, ok := one()
			if !ok || !n.is("kernel_shape", 2, 2) || !n.is("strides", 2, 2) {
				return nil, fail("does not halve a convolution")
			}
			out = []value{{v.layer, pooled}}
		case "Resize":
			v, ok := one()
			if !ok {
				return nil, fail("does not double a convolution")
			}
			out = []value{{v.layer, coarse}}
		case "Concat":
			out = nil
			for _, name := range n.inputs {
				out = append(out, values[name]...)
			}
		default:
			return nil, fail("is not known")
		}
		values[n.outputs[0]] = out
	}
	if len(layers) < 2 || layers[len(layers)-1].maps == 0 {
		return nil, fmt.Errorf("the network ends without maps")
	}
	return layers, g.withReLU()
}

func (n *node) is(attribute string, want ...int) bool { return slices.Equal(n.ints[attribute], want) }

// withReLU fails unless every convolution but the last goes through ReLU alone.
func (g *graph) withReLU() error {
	users := map[string][]string{}
	for _, n := range g.nodes {
		for _, in := range n.inputs {
			users[in] = append(users[in], n.op)
		}
	}
	for _, n := range g.nodes {
		if n.op == "Conv" && n.outputs[0] != g.output && !slices.Equal(users[n.outputs[0]], []string{"Relu"}) {
			return fmt.Errorf("the network's %s is without ReLU", n.outputs[0])
		}
	}
	return nil
}

// deepest is how often the picture is halved.
func (n *Net) deepest() int {
	most := 0
	for _, l := range n.layers {
		most = max(most, l.halved)
	}
	return most
}
