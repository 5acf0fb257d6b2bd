// The description of the API, from the files that are installed beside us.
window.SwaggerUIBundle({ url: "/openapi.json", dom_id: "#swagger-ui", deepLinking: true, validatorUrl: null });
