package health

// Reasons of a trend.
type (
	// FewCars: fewer cars logged the metric on two days or more than a trend takes.
	FewCars struct {
		Cars   int `json:"cars"`
		Wanted int `json:"wanted"`
	}
	// NoSlope: the days of the cars lie too close together for a slope.
	NoSlope struct{}
	// SeasonOrAgeing: a slope over less than so many days cannot be told from the season.
	SeasonOrAgeing struct {
		DaysWanted int `json:"days_wanted"`
	}
)

// Code implements result.Reason.
func (FewCars) Code() string        { return "few_cars" }
func (NoSlope) Code() string        { return "no_slope" }
func (SeasonOrAgeing) Code() string { return "season_or_ageing" }

// Reasons that the failure rates of strong and weak cars were not compared.
type (
	// NotDivided: too few cars of known peak power to divide the platform by it.
	NotDivided struct {
		CarsWanted int `json:"cars_wanted"`
	}
	// FewFailures: fewer failures in both groups together than tell anything.
	FewFailures struct {
		Failures int `json:"failures"`
		Wanted   int `json:"wanted"`
	}
)

// Code implements result.Reason.
func (NotDivided) Code() string  { return "not_divided" }
func (FewFailures) Code() string { return "few_failures" }
