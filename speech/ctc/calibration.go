package ctc

import (
	"fmt"
	"math"
)

// Calibration turns the scores of a model into probabilities. It belongs to the model: its manifest
// carries it under "calibration", fitted by the test with the build tag calibrate on speakers who
// took no part in the training.
type Calibration struct {
	// Temperature divides the log scores of readings before they become posteriors: the frames of the
	// network are not independent.
	Temperature float64 `json:"temperature"`
	// Confidence holds the coefficients a, b, c, d, e of the logistic regression for the probability that a
	// word is right: a + b*logit(share) + c*sqrt(cost) + d*log(far) + e*beyond, share being that part of the posterior of all
	// readings that agrees on the word, cost the negative log-probability of its phones, per phone, far how far its sound
	// lies from what the network knows (knownFile), beyond how much farther than usual the calls before lay (logarithm; 0 for usual voices).
	Confidence [5]float64 `json:"confidence"`
	// StrangeFrom is the mean distance of the calls of a voice from which on it is strange to the model; 0: never.
	StrangeFrom float64 `json:"strange_from"`
	// FillerLimit is the default of Options.FillerLimit.
	FillerLimit float64 `json:"filler_limit"`

	// tap sees what goes into the regression; for the fit.
	tap func(share, cost, far, beyond float64)
}

// defaultCalibration is for a model whose manifest has none. On 753 words of real digits and commands by 61
// speakers outside the training of the first model, 0.39 of the words given a confidence of 0.0-0.5
// were right, 0.67 of those given 0.5-0.8, 0.93 of 0.8-0.95, 0.97 of 0.95-0.99 and 0.998 above.
var defaultCalibration = Calibration{Temperature: 2, Confidence: [5]float64{1.31, 0.569, -1.73}, FillerLimit: 1}

func (c *Calibration) validate() error {
	finite := true
	for _, v := range append(c.Confidence[:], c.Temperature, c.FillerLimit, c.StrangeFrom) {
		finite = finite && !math.IsNaN(v) && !math.IsInf(v, 0)
	}
	if !finite || c.Temperature <= 0 || c.FillerLimit <= 0 || c.Confidence[1] < 0 || c.Confidence[2] > 0 || c.Confidence[3] > 0 || c.Confidence[4] > 0 || c.StrangeFrom < 0 {
		return fmt.Errorf("calibration %+v makes no sense (temperature and limit above 0, confidence rising with the share and falling with cost and distance)", *c)
	}
	return nil
}

func (c *Calibration) confidence(share, cost, far, beyond float64) float64 {
	if c.tap != nil {
		c.tap(share, cost, far, beyond)
	}
	return logistic(c.Confidence, features(share, cost, far, beyond))
}

func features(share, cost, far, beyond float64) [5]float64 {
	share = min(max(share, 1e-4), 1-1e-4)
	return [5]float64{1, math.Log(share / (1 - share)), math.Sqrt(max(cost, 0)), math.Log(max(far, leastFar)), beyond}
}

func logistic(w, x [5]float64) float64 {
	sum := 0.0
	for i, v := range w {
		sum += v * x[i]
	}
	return 1 / (1 + math.Exp(-sum))
}
