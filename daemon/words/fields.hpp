// Messages whose fields are named once. A message is a struct with a static member
//
//     template <class Visitor, class Self>
//     static void fields(Visitor& visit, Self& self) { visit("id", self.id); ... }
//
// and from that come its JSON (to_json), its tolerant reading (from_json) and the page's type of it
// (tests/agree/page_types_test.cpp).
#pragma once

#include <array>
#include <cmath>
#include <concepts>
#include <cstdint>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <type_traits>
#include <vector>

#include "words/json_number.hpp"

namespace dekeyd::formats {

/// Two words for a truth value: `visit("direction", self.above, Choice{"above", "below"})`.
struct Choice {
    std::string_view yes, no;
};

/// Written only where it is set: true, or there.
struct IfSet {};

/// A number that is no measured value: all its digits are written (an instant in seconds has more than seven).
struct Exact {};

struct NoVisitor {
    template <class... Any>
    void operator()(const Any&...) const noexcept {}
};
template <class T>
concept Message = requires(T& message, NoVisitor& visit) {
    T::fields(visit, message);
};

// ---- out ---------------------------------------------------------------------------------------------------------

template <class T>
nlohmann::ordered_json to_json(const T& value);

class FieldWriter {
public:
    template <class T>
    void operator()(const char* key, const T& value) {
        json_[key] = to_json(value);
    }
    void operator()(const char* key, bool value, const Choice& choice) { json_[key] = value ? choice.yes : choice.no; }
    template <class T>
    void operator()(const char* key, const T& value, const IfSet& /*tag*/) {
        if (value) (*this)(key, value);
    }
    void operator()(const char* key, double value, const Exact& /*tag*/) {
        json_[key] = std::isfinite(value) ? nlohmann::ordered_json(value) : nlohmann::ordered_json(nullptr);
    }
    nlohmann::ordered_json take() { return std::move(json_); }

private:
    nlohmann::ordered_json json_ = nlohmann::ordered_json::object();
};

template <class T>
struct IsOptional : std::false_type {};
template <class T>
struct IsOptional<std::optional<T>> : std::true_type {};
template <class T>
struct IsVector : std::false_type {};
template <class T>
struct IsVector<std::vector<T>> : std::true_type {};
template <class T>
struct IsMap : std::false_type {};
template <class T>
struct IsMap<std::map<std::string, T>> : std::true_type {};

/// What isn't there is null, and so is a number that isn't finite.
template <class T>
nlohmann::ordered_json to_json(const T& value) {
    if constexpr (Message<T>) {
        FieldWriter writer;
        T::fields(writer, value);
        return writer.take();
    } else if constexpr (IsOptional<T>::value) {
        return value ? to_json(*value) : nlohmann::ordered_json(nullptr);
    } else if constexpr (IsVector<T>::value) {
        nlohmann::ordered_json list = nlohmann::ordered_json::array();
        for (const auto& item : value) list.push_back(to_json(item));
        return list;
    } else if constexpr (IsMap<T>::value) {
        nlohmann::ordered_json object = nlohmann::ordered_json::object();
        for (const auto& [key, item] : value) object[key] = to_json(item);
        return object;
    } else if constexpr (std::floating_point<T>) {
        return json_number(value);
    } else {
        return value;
    }
}

// ---- in ----------------------------------------------------------------------------------------------------------

/// Never throws. What is missing, or is of another type, stays as it was; every text goes through `clean`.
class FieldReader {
public:
    using Clean = std::string (*)(std::string_view text);
    FieldReader(const nlohmann::json& json, Clean clean) : json_{json}, clean_{clean} {}

    template <class T>
    void operator()(const char* key, T& value) const {
        if (const nlohmann::json* found = member(key)) read(*found, value);
    }
    void operator()(const char* key, bool& value, const Choice& choice) const {
        const nlohmann::json* found = member(key);
        if (found == nullptr || !found->is_string()) return;
        if (*found == choice.yes) value = true;
        if (*found == choice.no) value = false;
    }
    template <class T, class Tag>
    void operator()(const char* key, T& value, const Tag& /*IfSet or Exact*/) const {
        (*this)(key, value);
    }

private:
    [[nodiscard]] const nlohmann::json* member(const char* key) const {
        if (!json_.is_object()) return nullptr;
        const auto found = json_.find(key);
        return found == json_.end() ? nullptr : &*found;
    }

    template <class T>
    void read(const nlohmann::json& json, T& value) const {
        if constexpr (Message<T>) {
            const FieldReader reader{json, clean_};
            T::fields(reader, value);
        } else if constexpr (IsOptional<T>::value) {
            typename T::value_type item{};
            if (readable(json, item)) {
                read(json, item);
                value = std::move(item);
            }
        } else if constexpr (IsVector<T>::value) {
            if (!json.is_array()) return;
            for (const nlohmann::json& entry : json) read(entry, value.emplace_back());
        } else if constexpr (IsMap<T>::value) {
            if (!json.is_object()) return;
            for (const auto& [key, entry] : json.items()) {
                typename T::mapped_type item{};
                if (!readable(entry, item)) continue;
                read(entry, item);
                value[clean_(key)] = std::move(item);
            }
        } else if constexpr (std::same_as<T, std::string>) {
            if (json.is_string()) value = clean_(json.get_ref<const std::string&>());
        } else {
            if (readable(json, value)) value = json.get<T>();
        }
    }

    template <class T>
    [[nodiscard]] static bool readable(const nlohmann::json& json, const T& /*of this type*/) {
        if constexpr (Message<T>) return json.is_object();
        if constexpr (std::same_as<T, std::string>) return json.is_string();
        if constexpr (std::same_as<T, bool>) return json.is_boolean();
        if constexpr (std::floating_point<T>) return json.is_number() && std::isfinite(json.get<double>());
        if constexpr (std::unsigned_integral<T> && !std::same_as<T, bool>) return json.is_number_unsigned();
        if constexpr (IsOptional<T>::value) return !json.is_null();
        return IsVector<T>::value ? json.is_array() : IsMap<T>::value && json.is_object();
    }

    const nlohmann::json& json_;
    Clean clean_;
};

template <class T>
T from_json(const nlohmann::json& json, FieldReader::Clean clean) {
    T message;
    const FieldReader reader{json, clean};
    T::fields(reader, message);
    return message;
}

}  // namespace dekeyd::formats
