// Heat: what a heatsink will do, learned while it does it. Total and of fixed size; time comes in as seconds.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string_view>
#include <type_traits>

#include "maths/uncertainty.hpp"
#include "plan/enum_words.hpp"

namespace dekeyd::core {

// ---- given numbers -----------------------------------------------------------------------------------------------

struct ThermalPath {
    double junction_to_case_k_per_w = 0.0;
    double case_to_sink_k_per_w = 0.0;
    double sink_to_ambient_k_per_w = 0.0;
};
struct SteadyTemperatures {
    double junction_c = 0.0;
    double case_c = 0.0;
    double sink_c = 0.0;
};
/// Where everything ends at constant heat: Tj = Ta + P (jc + cs + sa). An unknown gives `unbounded`.
SteadyTemperatures steady_temperatures(const ThermalPath& path, double heat_w, double ambient_c) noexcept;

/// A first-order system on its way from `now_c` to `settling_c`, after `after_s`. A time constant that isn't above 0
/// means already there; an unknown temperature gives `unbounded`.
double temperature_after(double now_c, double settling_c, double time_constant_s, double after_s) noexcept;
/// Seconds until `limit_c` is reached from below: 0 at or above it, `unbounded` if never.
double seconds_until(double now_c, double settling_c, double time_constant_s, double limit_c) noexcept;

/// A mean that forgets with a time constant: what a load with that thermal time has to carry. Starts cold, at 0.
class ThermalAverage {
public:
    explicit ThermalAverage(double time_constant_s) noexcept : time_constant_s_{time_constant_s} {}
    /// `value` held for `dt_s`; returns the mean. dt <= 0 or an unknown value changes nothing.
    double update(double dt_s, double value) noexcept;
    [[nodiscard]] double mean() const noexcept { return mean_; }
    /// Goes on from another's mean, with its own time constant.
    void take_mean(const ThermalAverage& other) noexcept { mean_ = other.mean_; }
    /// Its state, for captures.
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.mean_);
    }

private:
    double time_constant_s_;
    double mean_ = 0.0;
};

// ---- learned numbers ---------------------------------------------------------------------------------------------

/// What the ambient temperature in an estimate rests on.
enum class AmbientBasis : std::uint8_t {
    measured,  ///< by an ambient sensor
    fitted,    ///< told apart from the resistance because the heat has varied
    assumed,   ///< the heatsink's temperature when watching began, or what a lost ambient sensor said last
};
inline constexpr Words<AmbientBasis::assumed> ambient_basis_words{"measured", "fitted", "assumed"};
inline std::string_view text(AmbientBasis value) noexcept {
    return ambient_basis_words.of(value);
}

struct ThermalEstimate {
    bool settling_known = false;    ///< settling, time constant and forecasts may be shown
    bool resistance_known = false;  ///< so may resistance and capacity
    AmbientBasis ambient = AmbientBasis::assumed;
    Estimate ambient_c;
    Estimate resistance_k_per_w;  ///< heatsink to ambient
    Estimate capacity_j_per_k;
    Estimate time_constant_s;
    Estimate settling_c;  ///< at the heat asked about
};

/// Recursive least squares with forgetting on C dT/dt = P - lag dP/dt - (T - Ta)/R, one set of R and C for each fan
/// state.
///
/// The differential equation is passed through a low-pass, so that temperature is never differentiated and a sensor's
/// steps don't matter. Ambient is measured, or is an unknown with a prior around the first temperature seen: at
/// constant heat it can't be told from R, and then R stays unknown while the settling temperature is known all the
/// same. The prior is never forgotten, so long silence leads back to "not known", not to wild numbers.
class ThermalFit {
public:
    static constexpr std::size_t fan_states = 3;  ///< stopped, slow, fast: see fan_state_of()

    /// `dt_s` since the last call; heat is what held during it. An unknown number makes the call a gap; a gap of over
    /// `longest_gap_s` starts a new stretch. Work is done about once a second, however often it is called.
    void update(double dt_s, double heatsink_c, double heat_w, std::optional<double> ambient_c,
                std::size_t fan_state = 0) noexcept;

    /// For the fan as it is now, at `heat_w`.
    [[nodiscard]] ThermalEstimate estimate(double heat_w) const noexcept;

    /// Its state, for captures.
    template <class Archive, class Self>
    static void fields(Archive& a, Self& self) {
        a(self.known_, self.fan_, self.in_stretch_, self.filtered_heat_, self.filtered_rise_, self.filtered_one_,
          self.filtered_temperature_, self.followed_heat_, self.following_, self.last_c_, self.pending_s_,
          self.pending_heat_j_, self.silent_s_, self.reference_set_, self.measured_, self.reference_c_,
          self.reference_doubt_k_, self.ambient_silent_s_);
        if constexpr (!std::is_const_v<Self>) self.fan_ = self.fan_ < fan_states ? self.fan_ : 0;  // a damaged text
    }

    static constexpr double longest_gap_s = 10.0;
    /// A lost ambient sensor's last value counts as measured for so long, and as assumed after.
    static constexpr double longest_ambient_gap_s = 300.0;

private:
    // 100/C, 1/(RC), drift from an ambient other than the reference, and -lag * 100/C: the heat comes through a flange,
    // and the sensor follows late.
    static constexpr std::size_t unknowns = 4;
    using Vector = std::array<double, unknowns>;
    struct Matrix {
        std::array<Vector, unknowns> row{};
        template <class Archive, class Self>
        static void fields(Archive& a, Self& self) {
            a(self.row);
        }
    };
    /// What has been learned in one fan state: normal equations, forgetting.
    struct Knowledge {
        Matrix information{};
        Vector moment{};
        double square = 0.0;  ///< of the left sides
        double weight = 0.0;  ///< seconds
        template <class Archive, class Self>
        static void fields(Archive& a, Self& self) {
            a(self.information, self.moment, self.square, self.weight);
        }
    };
    struct Solution {
        bool sound = false;
        Vector value{};
        Matrix covariance{};
    };

    void start_stretch(double heatsink_c, std::size_t fan_state) noexcept;
    void learn(double dt_s, double heatsink_c, double heat_w, double reference_c) noexcept;
    static bool invert(Matrix from, Matrix& to) noexcept;
    [[nodiscard]] Solution solve(const Knowledge& knowledge) const noexcept;

    std::array<Knowledge, fan_states> known_{};
    // The stretch being watched: states of the low-pass, and where it began.
    std::size_t fan_ = 0;
    bool in_stretch_ = false;
    double filtered_heat_ = 0.0;
    double followed_heat_ = 0.0;  ///< the same, begun at rest: against it a change of heat shows
    bool following_ = false;
    double filtered_rise_ = 0.0;
    double filtered_one_ = 0.0;
    double filtered_temperature_ = 0.0;
    double last_c_ = 0.0;
    // What has come in since the last piece of work.
    double pending_s_ = 0.0;
    double pending_heat_j_ = 0.0;
    double silent_s_ = 0.0;
    // The ambient.
    bool reference_set_ = false;
    bool measured_ = false;
    double reference_c_ = 0.0;
    double reference_doubt_k_ = 0.0;
    double ambient_silent_s_ = 0.0;
};

/// 0: under a tenth of the fan's full speed, 1: under six tenths, 2: above. Without a full speed: 2 while it turns.
std::size_t fan_state_of(double rpm, double full_rpm) noexcept;

}  // namespace dekeyd::core
