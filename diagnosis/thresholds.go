package diagnosis

// RuleSet names the version of the rules; it is written into every findings file.
const RuleSet = "2026.1"

// Sources as they are cited in findings. "seen, secondary" in the comments of this file means that
// the number was read in another text that reproduces the source, "from memory" that none was opened.
const (
	srcCase         = "Papapanou et al. 2018, doi:10.1002/JPER.17-0721; Tonetti et al. 2018, doi:10.1002/JPER.18-0006"
	srcGreyZone     = "Kornman and Papapanou 2020, doi:10.1002/JPER.19-0557"
	srcStage        = "Tonetti et al. 2018, doi:10.1002/JPER.18-0006, table 3"
	srcExtent       = "Tonetti et al. 2018, doi:10.1002/JPER.18-0006, table 3; counting of teeth: Sanz et al. 2020, J Clin Periodontol 47:658-659 (from memory)"
	srcGrade        = "Tonetti et al. 2018, doi:10.1002/JPER.18-0006, table 4; Sanz et al. 2020, doi:10.1111/jcpe.13290, table 8"
	srcGingiva      = "Chapple et al. 2018, doi:10.1002/JPER.17-0719; Trombelli et al. 2018, doi:10.1002/JPER.17-0576"
	srcStatusWords  = "Dietrich et al. 2019, Br Dent J 226:16-22 (thresholds from memory)"
	srcImplant      = "Berglundh et al. 2018, doi:10.1111/jcpe.12957"
	srcSurveillance = "Page and Eke 2007, doi:10.1902/jop.2007.060264; Eke et al. 2012, doi:10.1902/jop.2012.110664"
	srcEndpoint     = "Sanz et al. 2020, doi:10.1111/jcpe.13290 (end point from memory); Loos and Needleman 2020, doi:10.1111/jcpe.13253"
	srcOLeary       = "O'Leary, Drake and Naylor 1972, J Periodontol 43:38"
	srcGBI          = "Ainamo and Bay 1975, Int Dent J 25:229-235"
	srcPISA         = "Nesse et al. 2008, doi:10.1111/j.1600-051X.2008.01249.x, table 1, one misprint corrected; coefficients taken from a secondary source, not yet verified against the printed table"
	srcRecession    = "Cairo et al. 2011, doi:10.1111/j.1600-051X.2011.01732.x"
	srcFurcation    = "Hamp, Nyman and Lindhe 1975, J Clin Periodontol 2:126-135"
	srcVertical     = "Tarnow and Fletcher 1984, J Periodontol 55:283-284 (from memory)"
	srcMobility     = "Miller 1950, modified (from memory)"
	srcRisk         = "Lang and Tonetti 2003, Oral Health Prev Dent 1:7-16 (cut-offs from memory)"
	srcProgression  = "seen beside expected: Machtei et al. 1993, doi:10.1902/jop.1993.64.8.713; Best et al. 1990, doi:10.1111/j.1600-051x.1990.tb01106.x; level and interval engineering choices"
	srcCommon       = "common practice, no source"
	srcChoice       = "engineering choice"
	srcRecallBand   = "Sanz et al. 2020, doi:10.1111/jcpe.13290 (3 to 12 months by risk, from memory); Trombelli et al. 2020, doi:10.1111/prd.12340"
	srcImplantSteps = "Herrera et al. 2023, doi:10.1111/jcpe.13823 (steps from memory)"
	srcSteps        = "Sanz et al. 2020, doi:10.1111/jcpe.13290; Herrera et al. 2022, doi:10.1111/jcpe.13639"
)

// How complete a chart must be. Engineering choice.
const completePercent = 90 // under this share of recorded sites no health statement is made

// Case definition. Papapanou et al. 2018, doi:10.1002/JPER.17-0721, seen, secondary.
const (
	caseLoss     = 1 // mm; "detectable": engineering choice, many texts print 2, which is an option
	caseTeeth    = 2
	caseMidLoss  = 3 // mm, at a mid-buccal or mid-lingual site
	caseMidDepth = 3 // mm; more than
)

// Stage. Tonetti et al. 2018, doi:10.1002/JPER.18-0006, table 3, seen, secondary.
const (
	stageLossII         = 3  // mm, interdental, worst site
	stageLossIII        = 5  // mm
	stageBonePercentII  = 15 // percent of root length and more
	stageBonePercentIII = 33 // more than; the table says "middle third": engineering choice
	stageLostIII        = 1  // teeth lost to periodontitis
	stageLostIV         = 5
	stageDepthII        = 5 // mm
	stageDepthIII       = 6 // mm
	stageVerticalIII    = 3 // mm of vertical bone loss
	stageFurcationIII   = 2 // grade (Hamp)
	stageMobilityAsk    = 2 // mobility that raises the question of secondary occlusal trauma
	stageTeethIV        = 20
	stagePairsIV        = 10
)

// Extent. Tonetti et al. 2018, table 3, seen, secondary; the pattern's limit is borrowed from the
// older localized aggressive wording, from memory.
const (
	extentGeneralizedPercent = 30 // and more; exactly 30 is generalized
	extentPatternOthers      = 2  // at most so many teeth beside first molars and incisors
	extentPatternTeeth       = 3  // from so many teeth on the pattern is proposed, with fewer it is asked: engineering choice
	extentPatternAge         = 35 // years: from here on it is asked, not proposed (early onset; the limit an engineering choice)
)

// Grade. Tonetti et al. 2018, table 4, seen, secondary; HbA1c in mmol/mol from memory.
const (
	gradeDirectYears     = 5
	gradeDirectC         = 2.0  // mm in five years
	gradeBoneAgeA        = 0.25 // under; percent of bone loss per year of age
	gradeBoneAgeC        = 1.0  // more than
	gradeSmokingB        = 1    // cigarettes a day
	gradeSmokingC        = 10
	gradeHbA1cC          = 7.0 // percent
	gradeHbA1cMmolMolC   = 53  // mmol/mol
	gradeHbA1cDiabetes   = 6.5 // percent that speaks for diabetes when it was not asked (diagnostic limit, from memory)
	gradeMmolMolDiabetes = 48  // the same in mmol/mol (from memory)
)

// Health and gingivitis. Chapple et al. 2018, doi:10.1002/JPER.17-0719; Trombelli et al. 2018,
// doi:10.1002/JPER.17-0576; seen, secondary.
const (
	gingivitisPercent            = 10 // bleeding sites, and more
	gingivitisGeneralizedPercent = 30 // more than
	healthDepth                  = 3  // mm at most on a periodontium without periodontitis
	stableDepth                  = 4  // mm at most in a treated periodontitis patient
	stableBleedingDepth          = 4  // mm and more that must not bleed
)

// Implants. Berglundh et al. 2018, doi:10.1111/jcpe.12957, seen, secondary; increase an engineering choice.
const (
	implantDepth    = 6   // mm and more without a baseline
	implantBoneMM   = 3.0 // mm and more without a baseline
	implantIncrease = 2   // mm more than at the baseline
)

// End point of active therapy. Sanz et al. 2020, doi:10.1111/jcpe.13290, from memory.
const (
	endpointDry   = 4 // mm: what is deeper must not bleed
	endpointDepth = 6 // mm and more, any
)

// Surveillance. Eke et al. 2012, doi:10.1902/jop.2012.110664: mild seen; Page and Eke 2007,
// doi:10.1902/jop.2007.060264: severe and moderate seen, secondary.
const (
	cdcSevereLoss      = 6 // mm
	cdcSevereTeeth     = 2
	cdcSevereDepth     = 5 // mm
	cdcSevereSites     = 1
	cdcModerateLoss    = 4 // mm
	cdcModerateDepth   = 5 // mm
	cdcModerateTeeth   = 2
	cdcMildLoss        = 3 // mm
	cdcMildLossSites   = 2
	cdcMildDepth       = 4 // mm
	cdcMildTeeth       = 2
	cdcMildSingleDepth = 5  // mm
	cdcAge             = 30 // years: the survey's population
)

// Plaque control record: teaching target, seen, secondary.
const oLearyTargetPercent = 10 // under

// Vertical subclass of a furcation. Tarnow and Fletcher 1984, from memory.
const (
	furcationVerticalB = 4 // mm and more
	furcationVerticalC = 7
)

// Prognosis of teeth. McGuire and Nunn 1996 and Miller et al. 2014, from memory; from which depth on a tooth is listed is an
// engineering choice.
const (
	prognosisDepth    = 5    // mm
	prognosisBoneFair = 25.0 // percent of support lost and more
	prognosisBonePoor = 50.0 // and more; over it questionable
	prognosisMobility = 2
	millerAge         = 40 // years, over
	millerDepth1      = 5  // mm and more: one point
	millerDepth2      = 8
	millerDepth3      = 10 // over
	millerSmoking     = 4  // points
)

// Inflamed surface. Limit of the length: a published simulation ran to 10 mm (Ueda et al. 2022,
// doi:10.3390/ijerph19169937, abstract); least number of sites an engineering choice.
const (
	pisaLongestMM = 10.0
	pisaSites     = 4
)

// Risk table. Lang and Tonetti 2003, from memory; exactly 20 cigarettes an engineering choice.
const (
	riskBleedingModerate = 10 // percent and more
	riskBleedingHigh     = 25 // percent, more than
	riskPocketDepth      = 5  // mm
	riskPocketsModerate  = 5  // sites
	riskPocketsHigh      = 9
	riskLostModerate     = 5 // teeth of 28
	riskLostHigh         = 9
	riskBoneAgeModerate  = 0.5 // more than
	riskBoneAgeHigh      = 1.0 // more than
	riskSmokingModerate  = 1   // cigarettes a day
	riskSmokingHigh      = 20
	riskStoppedYears     = 5 // a former smoker for so long counts as none
	riskManyHigh         = 2 // rows that make the whole high
	riskManyModerate     = 2 // rows that make the whole moderate
)

// Change between two exams: measurement error is 1 mm (Andrade et al. 2012, doi:10.1590/S1806-83242012000100010, abstract); a closed
// pocket as in a review of subgingival instrumentation, Periodontol 2000 2023 (PMID 37162295); the rest engineering choices.
const (
	changeMM              = 2
	changeOtherExaminerMM = 3
	closureBaseline       = 5 // mm: a pocket at the first exam
	closedDepth           = 4 // mm at most, without bleeding
)

// Errors of measurement and progression. Engineering choices but for what is named; docs/measurement-error.md shows by simulation
// what follows from them.
const (
	errorModerate     = 4    // mm: from here on a site is moderately deep; the classes are Machtei's (1993), their limits ours
	errorDeep         = 7    // mm: and from here on deep
	errorPrior        = 300  // pairs of readings that the published spread counts as
	errorBleeding     = 0.5  // agreement on bleeding beyond chance
	errorPersists     = 0.3  // of the sites that seem to have changed by chance, the share that seems so again: the earlier reading was wrong
	chanceAlpha       = 0.01 // mouths without change in which a number counts as beyond chance
	chanceSign        = 0.2  // the most that chance may explain of more sites losing than gaining
	shiftedMouth      = 0.3  // share of sites that read 1 mm deeper from which on the whole mouth is said to
	chanceNormal      = 2.58 // the same for a number that may go either way, as a quantile of the normal distribution
	normal95          = 1.96 // of 95 percent intervals
	progressionYears  = 0.5  // between exams, at least, for a rate
	hbA1cSlack        = 0.3  // percent by which the two units of HbA1c may differ
	jackknifePatients = 3    // patients from which on agreement has an interval
	historyBand       = 0.05 // of second readings that lie outside of the band around a site's line
	examShift         = 0.16 // mm by which one exam as a whole reads deeper than another (constant-force probe, standard error between examiners for the mean of a quadrant, PubMed 14974813, abstract)
	ageSlack          = 2.1  // years by which ages at two exams may differ from the time between them
	wholeMouthSites   = 168  // of 28 teeth
)

// Re-evaluation: 4 to 8 weeks. Common practice, no source.
const (
	reevaluationFirstDay = 28
	reevaluationLastDay  = 56
)

// Recall, months. Common practice, no source; the part by risk seen, secondary.
const (
	recallFirstYearMonths = 12
	recallFirstYear       = 3
	recallSevere          = 3
	recallMiddle          = 4
	recallMild            = 6
	recallGingivitis      = 6
	recallHealth          = 12
	recallRiskHigh        = 3
	recallRiskModerate    = 6
	recallRiskLow         = 12
	recallNotStable       = 3
	recallImplantSick     = 3
	recallImplant         = 6
)

// Home care. Engineering choices and common practice, no source.
const (
	careDistalDepth   = 4  // mm behind the last tooth
	careGapLoss       = 1  // mm of attachment loss beside a gap
	careRecession     = 2  // mm on the facial side
	carePlaquePercent = 30 // plaque that speaks for a powered brush
	carePlanItems     = 5
	careBrushMonths   = 3
)

// childAge: under it no stage is proposed. Engineering choice.
const childAge = 18
